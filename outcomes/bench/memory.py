"""The most memory a process took. Knows neither models nor estimators, so any process can ask."""

import sys

MEBIBYTE = 2**20
_BYTES_OF_MAXRSS = 1 if sys.platform == "darwin" else 1024


def peak_bytes() -> int:
    """The most memory this process has held so far."""
    import resource  # absent on Windows, where only benchmarks lack it

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * _BYTES_OF_MAXRSS


def in_mebibytes(size: float) -> str:
    """A number of bytes in words."""
    return f"{size / MEBIBYTE:,.0f} MiB"

"""The table of outside checks: estimator, data set, largest relative difference from the truth. A plugin.

`pytest tests/reference` prints it; each line is what the `compare` fixture kept of one check.
"""

from collections import defaultdict

import pytest


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print one line an estimator and data set, when the reference tests ran alone."""
    kept = [
        row
        for reports in terminalreporter.stats.values()
        for report in reports
        for name, row in getattr(report, "user_properties", [])
        if name == "reference" and report.when == "call"
    ]
    if not kept or terminalreporter.config.args != ["tests/reference"]:
        return
    largest: dict[tuple[str, str], tuple[float, float, int]] = defaultdict(lambda: (0.0, 0.0, 0))
    for estimator, data, _quantity, tolerance, difference in kept:
        worst, allowed, checks = largest[estimator, data]
        largest[estimator, data] = (max(worst, difference), max(allowed, tolerance), checks + 1)
    terminalreporter.section("outside truth")
    terminalreporter.write_line(
        f"{'estimator':<34}{'data':<26}{'checks':>7}{'largest rel. diff.':>20}{'allowed':>10}"
    )
    for (estimator, data), (worst, allowed, checks) in sorted(largest.items()):
        terminalreporter.write_line(f"{estimator:<34}{data:<26}{checks:>7}{worst:>20.2e}{allowed:>10.0e}")

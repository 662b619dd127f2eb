"""The table of faults: what was acknowledged, found afterwards, and lost. A plugin of pytest."""

import pytest

PROPERTY = "fault"
HEAD = ("fault", "engine", "rounds", "acknowledged writes", "found after", "lost")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print one line a fault and engine, in the order of their names."""
    rows = sorted(
        row
        for reports in terminalreporter.stats.values()
        for report in reports
        for name, row in getattr(report, "user_properties", [])
        if name == PROPERTY and report.when == "call"
    )
    if not rows:
        return
    terminalreporter.section("faults")
    for row in (HEAD, *rows):
        terminalreporter.write_line("{:<52}{:<12}{:>7}{:>21}{:>13}{:>6}".format(*row))

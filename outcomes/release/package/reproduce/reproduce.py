"""Print the headline table of survival from repairs.csv alone; hold it to manifest.json where that is there.

Needs Python with pandas and lifelines, nothing else: python reproduce.py
The exit code is 1 when a figure differs from the manifest's by more than 1e-9.
"""

import json
import sys
from math import inf, isnan, nan
from pathlib import Path

import pandas as pd
from lifelines.utils import survival_table_from_events

HERE = Path(__file__).resolve().parent
DAYS = {1: 365, 2: 730, 5: 1826}
TOLERANCE = 1e-9


def at_risk_while_known(repairs: pd.DataFrame) -> pd.DataFrame:
    """Leave out repairs entered late from old notes whose end was known by then."""
    late = repairs["at_risk_from"] > 0
    return repairs[~(late & (repairs["at_risk_from"] >= repairs["days"]))]


def kaplan_meier(repairs: pd.DataFrame) -> "pd.Series[float]":
    """Give the survival after each time; who entered late is at risk only after the day of entry.

    lifelines counts a repair as at risk on its day of entry already. Days are whole, so half a day later is
    after that day. Its fitter refuses a curve that reaches 0 while others still enter; its table does not.
    """
    entry = repairs["at_risk_from"].where(repairs["at_risk_from"] == 0, repairs["at_risk_from"] + 0.5)
    table = survival_table_from_events(repairs["days"], repairs["failed"], entry)
    curve: pd.Series[float] = (1 - table["observed"] / table["at_risk"]).cumprod()
    return curve


def headline(repairs: pd.DataFrame) -> list[dict[str, float]]:
    """Give year, at risk, failures and survival; past the last day observed the survival is NaN."""
    days, entry = repairs["days"], repairs["at_risk_from"]
    curve = kaplan_meier(repairs) if len(repairs) else None
    rows = []
    for year, day in DAYS.items():
        at_risk = int(((days >= day) & (entry < day)).sum())
        failures = int(((repairs["failed"] == 1) & (days <= day)).sum())
        survival = nan if curve is None or day > days.max() else read(curve, day)
        rows.append({"year": year, "at_risk": at_risk, "failures": failures, "survival": survival})
    return rows


def read(curve: "pd.Series[float]", day: int) -> float:
    """Read the curve at a day: its last value until then, and 1 before the first."""
    until = curve[curve.index <= day]
    return float(until.iloc[-1]) if len(until) else 1.0


def printed(rows: list[dict[str, float]]) -> str:
    """Lay out the table with survival to 12 digits."""
    lines = [f"{'year':>4} {'at risk':>8} {'failures':>8} {'survival':>15}"]
    for row in rows:
        survival = "NA" if isnan(row["survival"]) else f"{row['survival']:.12f}"
        lines.append(f"{row['year']:>4} {row['at_risk']:>8} {row['failures']:>8} {survival:>15}")
    return "\n".join(lines) + "\n"


def largest_difference(rows: list[dict[str, float]], said: list[dict[str, float | None]]) -> float:
    """Give the largest absolute difference of any figure; infinite where only one side has it."""
    if len(rows) != len(said):
        return inf
    pairs = zip(rows, said, strict=True)
    return max(difference(row[name], other[name]) for row, other in pairs for name in row)


def difference(own: float, said: float | None) -> float:
    """Give the absolute difference of two figures; the manifest has null for one that is not known."""
    if said is None or isnan(own):
        return 0.0 if said is None and isnan(own) else inf
    return abs(own - said)


def main() -> int:
    """Print the table; the exit code tells whether it agrees."""
    table = pd.read_csv(HERE / "repairs.csv", usecols=["days", "failed", "at_risk_from"])
    rows = headline(at_risk_while_known(table))
    sys.stdout.write(printed(rows))
    manifest = HERE / "manifest.json"
    if not manifest.exists():
        return 0
    off = largest_difference(rows, json.loads(manifest.read_text(encoding="utf-8"))["survival"])
    sys.stdout.write(f"largest difference from manifest.json: {off:.3g}\n")
    return 0 if off <= TOLERANCE else 1


if __name__ == "__main__":
    sys.exit(main())

"""The funnel and the cases, by hand."""

from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from tests.outcomes.briefing.by_hand.days import within
from tests.outcomes.briefing.by_hand.formulas import funnel_limit
from tests.outcomes.briefing.by_hand.operating import SEVERE
from tests.outcomes.briefing.by_hand.tables import Tables


def funnel(rows: pd.DataFrame, closed: int, codes: dict[int, str]) -> dict[str, Any]:
    """Two-year results of each lead surgeon between the limits of chance."""
    prompt = rows[rows["entry"] == 0]
    over = prompt["operated_on"] + 730 <= closed
    failed_by = prompt["failed"] & (prompt["day"] <= 730)
    has = failed_by | (prompt["day"] >= 730)
    is_open = ~has & ~over & (prompt["outcome"] == "censored")
    results = prompt[has & over].assign(by=failed_by[has & over].astype(int))
    target = results["by"].sum() / len(results)
    counted = results.groupby("lead_surgeon_id")["by"].agg(["size", "sum"]).reset_index()
    counted = counted.sort_values(["size", "sum", "lead_surgeon_id"])
    share = counted["sum"] / counted["size"]
    placed = [
        {
            "label": codes.get(int(row.lead_surgeon_id), ""),
            "results": int(row.size_),
            "failures": int(row.failures),
        }
        for row in counted.rename(columns={"size": "size_", "sum": "failures"}).itertuples()
        if row.size_ >= 10
    ]
    unnamed = [point for point in placed if not point["label"]]
    shown = placed if len(unnamed) >= 2 else [point for point in placed if point["label"]]
    levels = {"lower_95": 0.025, "upper_95": 0.975, "lower_998": 0.001, "upper_998": 0.999}
    found = {
        "results": len(results),
        "failures": int(results["by"].sum()),
        "early": int((has & ~over).sum()),
        "lost": int((~has & ~is_open).sum()),
        "entered_late": len(rows) - len(prompt),
        "without_place": int((counted["size"] < 10).sum()),
        "hidden": len(placed) - len(shown),
        "target": float(target),
        "dispersion": float(np.mean((share - target) ** 2 * counted["size"] / (target * (1 - target)))),
        "points": [
            {
                **point,
                "share": point["failures"] / point["results"],
                **{name: funnel_limit(point["results"], target, p) for name, p in levels.items()},
            }
            for point in shown
        ],
    }
    if shown:
        largest = max(point["results"] for point in shown)
        sizes = list(range(10, largest + max(5, largest // 10) + 1))
        lines = {
            name: [float(np.clip(funnel_limit(n, target, p), 0, 1)) for n in sizes]
            for name, p in levels.items()
        }
        found["limits"] = {"repairs": sizes, **lines}
    return found


def cases(tables: Tables, rows: pd.DataFrame, since: int, until: int) -> dict[str, Any]:
    """Failures and severe complications between two days; `rows` are all repairs of the unit."""
    uuids = tables["Knee"].set_index("id")["uuid"]
    ended = rows["operated_on"] + rows["day"]
    failed = rows[rows["failed"] & within(ended, since, until)]
    found = [
        (int(day), str(uuids[knee])[:8])
        for day, knee in zip(ended[failed.index], failed["knee_id"], strict=True)
    ]
    severe = tables["Complication"]
    severe = severe[severe["severity"].isin(SEVERE) & within(severe["noticed_on"], since, until)]
    severe = severe[severe["knee_id"].isin(rows["knee_id"])]
    found += [(int(row.noticed_on), str(uuids[row.knee_id])[:8]) for row in severe.itertuples()]
    listed = [
        {"code": code, "month": f"{date.fromordinal(day):%Y-%m}"}
        for day, code in sorted(found, reverse=True)[:60]
    ]
    return {
        "since": date.fromordinal(since).isoformat(), "until": date.fromordinal(until).isoformat(),
        "total": len(found), "listed": listed,
    }  # fmt: skip

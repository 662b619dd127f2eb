"""What would leave, told before anything does: plain values that a job keeps and a page shows."""

from dataclasses import asdict
from typing import Any

from outcomes.release.frozen import Frozen


def tell(frozen: Frozen) -> dict[str, Any]:
    """The fields of Hidden, and flow, survival, effect and columns of a frozen release, for JSON."""
    return {
        **asdict(frozen.hidden),
        "flow": [asdict(step) for step in frozen.flow],
        "survival": [asdict(each) for each in frozen.survival],
        "effect": [asdict(each) for each in frozen.effect],
        "columns": {name: list(table.columns) for name, table in frozen.tables.items()},
        "rows": {name: len(table) for name, table in frozen.tables.items()},
    }

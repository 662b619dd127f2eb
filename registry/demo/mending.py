"""What was entered wrongly, put right through the one way in, so that the record's history shows it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from registry.bulk import Table
from registry.models import User
from registry.recording import Act, correct, withdraw


@dataclass(frozen=True, slots=True)
class Mend:
    """A row on record, what it should say (None: it should not count), why, and who puts it right (a key)."""

    table: Table
    key: int
    right: Mapping[str, Any] | None
    reason: str
    by: int | None


def mend(what: Mend) -> None:
    row: Any = what.table._base_manager.get(pk=what.key)
    act = Act(None if what.by is None else User.objects.get(pk=what.by), what.reason)
    if what.right is None:
        withdraw(row, act)
        return
    for name, value in what.right.items():
        setattr(row, name, value)
    correct(row, act=act)

"""What is wrong with one place of a file: where, what stands there, which rule, and how to mend it."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Self

# Heads the column that a file with its problems marked has at its end.
COLUMN_OF_PROBLEMS = "Problems"


@dataclass(frozen=True, slots=True)
class Problem:
    """A place is sheet, row (from 1) and column ("AB", or "" for the whole row) with its header."""

    sheet: str
    row: int
    column: str
    header: str
    value: str
    rule: str
    mend: str

    def __str__(self) -> str:
        place = f"{self.sheet}, row {self.row}" + (
            f", column {self.column} ({self.header})" if self.column else ""
        )
        value = f" '{self.value}'" if self.value else ""
        return f"{place}:{value} {self.rule} {self.mend}"

    def as_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, said: Mapping[str, Any]) -> Self:
        return cls(**said)

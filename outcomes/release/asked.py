"""What a release is asked for, as plain values that a job keeps and the ledger repeats."""

from dataclasses import asdict, dataclass
from typing import Any, Self

# Smallest class of people alike, unless a larger one is asked for or a unit's own limit is larger.
USUAL_K = 5
LEAST_K = 3
MOST_SUPPRESSED = 0.05


@dataclass(frozen=True, slots=True)
class Asked:
    """A request for a release of rows.

    `units` are codes; `cohort` the filters as in an address, of version `cohort_version` of the cohort
    `cohort_name`; `attributes` the quasi-identifiers wanted, by code of `hierarchies.ATTRIBUTES`, year, unit
    and surgeon among them only when named; `year_years` the width of a year band, 0 without years.
    """

    project: str
    purpose: str
    approval: str
    recipient: str
    steward: str
    units: tuple[str, ...]
    cohort_name: str
    cohort_version: int
    cohort: dict[str, str]
    definition: str
    attributes: tuple[str, ...]
    year_years: int = 0
    k: int = USUAL_K
    stata: bool = False

    def as_json(self) -> dict[str, Any]:
        """Plain values, as a job keeps them."""
        return asdict(self)

    @classmethod
    def from_json(cls, said: dict[str, Any]) -> Self:
        """The request that `as_json` wrote."""
        listed = {name: tuple(said[name]) for name in ("units", "attributes")}
        return cls(**{**said, **listed})

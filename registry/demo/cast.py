"""The invented hospitals, surgeons and people who sign in, read from fixtures/demo/cast.json. Pure."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Self

from registry.demo.truth import TRUTH_FILE
from registry.rules.schedule import DEFAULT_PLAN, PlannedReview

CAST_FILE = TRUTH_FILE.with_name("cast.json")
EMAIL_DOMAIN = "example.org"


@dataclass(frozen=True, slots=True)
class UnitPart:
    code: str
    name: str
    time_zone: str
    lead_sees_surgeon_results: bool
    ligament_restarts_reviews: bool
    # Instruments asked at each time point of the default plan; empty where the unit follows it as it is.
    asks: Mapping[str, list[str]]

    @property
    def plan(self) -> tuple[PlannedReview, ...]:
        """When patients are reviewed and what they are asked then."""
        if not self.asks:
            return DEFAULT_PLAN
        return tuple(replace(each, instruments=tuple(self.asks[each.code])) for each in DEFAULT_PLAN)


@dataclass(frozen=True, slots=True)
class SurgeonPart:
    code: str
    name: str
    units: tuple[str, ...]
    # Years of independent practice at the scenario's closing date, None when not recorded.
    independent_years: float | None
    # Each grade held, by the years since which it was at the closing date.
    grades: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class AccountPart:
    """A sign-in: one role in each of its units; `surgeon` names the surgeon whose account it is."""

    username: str
    first_name: str
    last_name: str
    role: str
    units: tuple[str, ...]
    surgeon: str | None

    @property
    def email(self) -> str:
        return f"{self.username}@{EMAIL_DOMAIN}"

    @classmethod
    def of_surgeon(cls, part: SurgeonPart) -> Self:
        """The account under which a surgeon records and signs."""
        last_name = part.name.removeprefix("Dr ")
        return cls(f"surgeon.{last_name.lower()}", "Doctor", last_name, "surgeon", part.units, part.code)


@dataclass(frozen=True, slots=True)
class Cast:
    about: str
    units: tuple[UnitPart, ...]
    surgeons: tuple[SurgeonPart, ...]
    # Who signs in.
    accounts: tuple[AccountPart, ...]

    @property
    def everyone(self) -> tuple[AccountPart, ...]:
        """Who signs in, and the other surgeons: they record and sign, yet nobody can sign in as them."""
        known = {each.surgeon for each in self.accounts}
        others = (AccountPart.of_surgeon(each) for each in self.surgeons if each.code not in known)
        return (*self.accounts, *others)

    @classmethod
    def read(cls, path: Path = CAST_FILE) -> Self:
        parts: dict[str, Any] = json.loads(path.read_text())
        return cls(
            about=parts["about"],
            units=tuple(UnitPart(**each) for each in parts["units"]),
            surgeons=tuple(SurgeonPart(**each) for each in parts["surgeons"]),
            accounts=tuple(AccountPart(**each) for each in parts["accounts"]),
        )

"""The invented hospitals, surgeons and people who sign in, read from fixtures/demo/cast.json. Pure."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from registry.demo.truth import TRUTH_FILE

CAST_FILE = TRUTH_FILE.with_name("cast.json")
EMAIL_DOMAIN = "example.org"


@dataclass(frozen=True, slots=True)
class UnitPart:
    code: str
    name: str
    time_zone: str
    lead_sees_surgeon_results: bool


@dataclass(frozen=True, slots=True)
class SurgeonPart:
    code: str
    name: str
    units: tuple[str, ...]
    # Years of independent practice at the scenario's closing date, None when not recorded.
    independent_years: float | None


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


@dataclass(frozen=True, slots=True)
class Cast:
    about: str
    units: tuple[UnitPart, ...]
    surgeons: tuple[SurgeonPart, ...]
    accounts: tuple[AccountPart, ...]

    @classmethod
    def read(cls, path: Path = CAST_FILE) -> Self:
        parts: dict[str, Any] = json.loads(path.read_text())
        return cls(
            about=parts["about"],
            units=tuple(UnitPart(**each) for each in parts["units"]),
            surgeons=tuple(SurgeonPart(**each) for each in parts["surgeons"]),
            accounts=tuple(AccountPart(**each) for each in parts["accounts"]),
        )

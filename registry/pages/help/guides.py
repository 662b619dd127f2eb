"""The guides by role, and the pictures that stand in them.

Pictures are made by a test in a browser, on an invented record, and kept with an outline of what the page
said then; that test fails as soon as a page no longer looks as its picture does.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from registry.vocabulary import Role

PICTURES_DIR = Path(__file__).parents[2] / "static" / "registry" / "help"
OUTLINES = Path(__file__).with_name("outlines.json")


@dataclass(frozen=True, slots=True)
class Guide:
    """What one role does here; its text is templates/help/<code>.html."""

    code: str
    title: str
    lead: str

    @property
    def template(self) -> str:
        return f"help/{self.code}.html"


@dataclass(frozen=True, slots=True)
class Picture:
    """One page as its role sees it. `address` is the name of a page without arguments, or of one knee."""

    code: str
    role: Role
    address: str
    caption: str
    query: str = ""
    of_knee: bool = False

    @property
    def file(self) -> Path:
        return PICTURES_DIR / f"{self.code}.png"

    @property
    def static(self) -> str:
        """Its path among the static files."""
        return f"registry/help/{self.code}.png"


GUIDES: dict[Role, Guide] = {
    Role.SURGEON: Guide(
        "surgeon", "For surgeons", "Record a repair in two minutes, follow it, and see your own results."
    ),
    Role.CLINICIAN: Guide(
        "clinician", "For follow-up clinicians", "See who is due, reach them, and record what you find."
    ),
    Role.AUDIT_LEAD: Guide(
        "audit_lead", "For audit leads", "How long repairs last, and the document for the meeting."
    ),
    Role.COORDINATOR: Guide(
        "coordinator",
        "For research coordinators",
        "Define a cohort, and release it without telling of anybody.",
    ),
    Role.ADMINISTRATOR: Guide(
        "administrator", "For administrators", "People, surgeons, the follow-up plan, and running the site."
    ),
}

PICTURES: dict[str, Picture] = {
    picture.code: picture
    for picture in (
        Picture("today", Role.SURGEON, "today", "Today, as a surgeon sees it"),
        Picture("record", Role.SURGEON, "record_operation", "Record an operation"),
        Picture("knee_story", Role.SURGEON, "knee_story", "The Knee story of one knee", of_knee=True),
        Picture("my_results", Role.SURGEON, "my_results", "My results"),
        Picture("intake", Role.SURGEON, "intakes", "Intake of old records"),
        Picture("due", Role.CLINICIAN, "due", "Due"),
        Picture("survival", Role.AUDIT_LEAD, "survival", "Survival, all repairs"),
        Picture("briefings", Role.AUDIT_LEAD, "briefings", "Audit briefing"),
        Picture(
            "new_cohort", Role.COORDINATOR, "new_cohort", "New cohort, and who is left out by which rule"
        ),
        Picture("releases", Role.COORDINATOR, "releases", "Releases, the ledger"),
        Picture("units", Role.ADMINISTRATOR, "units", "Unit"),
    )
}


@cache
def outlines() -> Mapping[str, Mapping[str, object]]:
    """What each pictured page said when its picture was made, by code of the picture."""
    kept: dict[str, dict[str, object]] = json.loads(OUTLINES.read_text(encoding="utf-8"))
    return kept

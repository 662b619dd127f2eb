"""What follows from the page as it stands: derived facts, usual numbers as hints, and what is proposed.

For audit only: local protocol and the operating surgeon decide.
"""

from calendar import monthrange
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from registry.models.procedures import LIGAMENTS
from registry.pages.forms.operation.card import TearCard
from registry.pages.forms.operation.entry import OperationEntry
from registry.pages.forms.operation.tears import derived
from registry.pages.wording import Facts
from registry.rules.acuity import acuity
from registry.rules.indications import PREREQUISITES, indication_verdict
from registry.rules.questions import Question
from registry.rules.staging import USUAL_STAGE_MONTHS, ligament_surgery
from registry.vocabulary import (
    Acuity,
    Answer,
    Augmentation,
    LigamentState,
    LigamentSurgery,
    Pattern,
    PosteromedialLook,
    RimZone,
    RootType,
    Staging,
)

TORN = (LigamentState.TREATED_HERE, LigamentState.STAGED, LigamentState.LEFT)
# Usual numbers of sutures. Common practice, no source.
USUAL_SUTURES = {Pattern.BUCKET_HANDLE: "7 to 8 sutures", Pattern.RAMP: "1 to 3 knots"}


@dataclass(frozen=True, slots=True)
class Proposal:
    """A value that usually goes with what is entered: filled in where nothing was chosen yet, and marked."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class Told:
    """Everything that the page says of itself."""

    facts: Facts
    hints: list[str]
    questions: list[Question]
    proposals: list[Proposal]


def told(entry: OperationEntry) -> Told:
    said = entry.procedure.values
    facts = [*_of_operation(entry, said), *_of_tears(entry.used_cards)]
    hints = [hint for card in entry.used_cards for hint in _hints(card)]
    return Told(facts, hints, entry.questions, list(_proposals(said, entry.used_cards)))


def _of_operation(entry: OperationEntry, said: dict[str, Any]) -> Facts:
    answers = {name: said.get(name) or Answer.NOT_ASSESSED for name in PREREQUISITES}
    surgery = ligament_surgery([said.get(name) for name in LIGAMENTS], said.get("staging") or "")
    return [
        ("From injury to operation", _acuity(said)),
        ("Indications", str(indication_verdict(answers))),
        ("Usual limit of varus here", f"{float(entry.varus_limit_deg):g} deg"),
        ("Ligament surgery", LigamentSurgery(surgery).label),
        ("Ramp lesion", _looked_for(said)),
    ]


def _acuity(said: dict[str, Any]) -> str:
    operated_on, injured_on = said.get("operated_on"), said.get("injured_on")
    days = (operated_on - injured_on).days if operated_on and injured_on else None
    if days is not None and days < 0:
        return "The injury is dated after the operation"
    label = Acuity(acuity(days)).label
    return label if days is None else f"{label}, {days} day{'' if days == 1 else 's'}"


def _looked_for(said: dict[str, Any]) -> str:
    look = said.get("posteromedial_look")
    if look:
        return PosteromedialLook(look).label
    if said.get("acl") in TORN:
        return "ACL torn: how was the posteromedial compartment looked at?"
    return "Not looked for"


def _of_tears(cards: list[TearCard]) -> Iterator[tuple[str, str]]:
    for card in cards:
        found = derived(card.values)
        if zone := found.get("rim_zone"):
            yield f"Tear {card.number}, from the rim width", RimZone(zone).label
        if root := found.get("root_type"):
            yield f"Tear {card.number}, from the distance", RootType(root).label


def _hints(card: TearCard) -> Iterator[str]:
    repair = card.repair_values
    if not repair:
        return
    pattern = card.values.get("pattern")
    if pattern in USUAL_SUTURES:
        entered = sum(each.get("number") or 0 for each in card.pass_values)
        yield f"Tear {card.number}: usual {USUAL_SUTURES[pattern]}, {entered} entered."
    if repair.get("all_inside"):
        yield f"Tear {card.number}: usual spacing of all-inside passes 2 to 3 mm."
    if repair.get("augmentation") == Augmentation.PRP:
        yield f"Tear {card.number}: usual 30 ml of blood drawn for platelet-rich plasma."


def _proposals(said: dict[str, Any], cards: list[TearCard]) -> Iterator[Proposal]:
    is_staged = any(said.get(name) == LigamentState.STAGED for name in LIGAMENTS)
    if is_staged:
        yield Proposal("operation-staging", Staging.REPAIR_FIRST)
    operated_on: date | None = said.get("operated_on")
    if operated_on and (is_staged or said.get("staging") == Staging.REPAIR_FIRST):
        planned = _months_later(operated_on, USUAL_STAGE_MONTHS)
        yield Proposal("operation-ligament_planned_on", planned.isoformat())
    # Part of what the pattern means; anything else about a tear is seen, and so never proposed.
    for card in cards:
        if card.values.get("pattern") == Pattern.BUCKET_HANDLE:
            yield Proposal(f"tear-{card.number}-displaced", "true")


def _months_later(day: date, months: int) -> date:
    """The same day of a later month, or the last one that it has."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))

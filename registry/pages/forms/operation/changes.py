"""What the buttons of the page do to what is typed: add, copy, remove. Nothing is checked or saved."""

import re
from collections.abc import Callable
from dataclasses import dataclass

from django.http import QueryDict

from registry.gs1 import DeviceLabel
from registry.pages.forms.operation.implants import ScanForm
from registry.pages.forms.operation.rows import (
    IMPLANTS,
    PASSES,
    TEARS,
    copy_tear,
    implants_in,
    passes_in,
    remove_implant,
    remove_pass,
    remove_tear,
    tears_in,
)
from registry.rules.indications import PREREQUISITES
from registry.vocabulary import Answer

# Of the row before, what is likely the same again.
_SAME_AGAIN = ("configuration", "suture_size")


@dataclass(frozen=True, slots=True)
class Done:
    """What became of the page: said aloud, and the name of the control that goes on from there."""

    said: str
    focus: str
    scan: ScanForm | None = None


def change(typed: QueryDict, button: str) -> Done | None:
    """Do what a button says to what is typed; None when there is no such button."""
    for pattern, act in _BUTTONS.items():
        if pressed := re.fullmatch(pattern, button):
            return act(typed, *(int(number) for number in pressed.groups()))
    return None


def _add_tear(typed: QueryDict) -> Done:
    number = max(tears_in(typed)) + 1
    if number > TEARS:
        return Done(f"A page holds {TEARS} tears.", "add-tear")
    typed[f"tear-{number}-meniscus"] = typed[f"pass-{number}-1-number"] = ""
    return Done(f"Tear {number} added.", f"tear-{number}-meniscus")


def _copy_tear(typed: QueryDict, source: int) -> Done:
    number = max(tears_in(typed)) + 1
    if number > TEARS:
        return Done(f"A page holds {TEARS} tears.", "add-tear")
    copy_tear(typed, source, number)
    typed.setdefault(f"tear-{number}-meniscus", "")
    return Done(f"Tear {source} copied as tear {number}.", f"tear-{number}-meniscus")


def _remove_tear(typed: QueryDict, number: int) -> Done:
    remove_tear(typed, number)
    return Done(f"Tear {number} removed.", "add-tear")


def _add_pass(typed: QueryDict, tear: int) -> Done:
    places = passes_in(typed, tear)
    place = max(places, default=0) + 1
    if place > PASSES:
        return Done(f"A repair holds {PASSES} rows of passes.", f"add-pass-{tear}")
    typed[f"pass-{tear}-{place}-number"] = ""
    for name in _SAME_AGAIN:
        typed[f"pass-{tear}-{place}-{name}"] = typed.get(f"pass-{tear}-{place - 1}-{name}", "")
    return Done(f"Passes {place} of tear {tear} added.", f"pass-{tear}-{place}-number")


def _remove_pass(typed: QueryDict, tear: int, place: int) -> Done:
    remove_pass(typed, tear, place)
    return Done(f"Passes {place} of tear {tear} removed.", f"add-pass-{tear}")


def _add_implant(typed: QueryDict) -> Done:
    """A row of what was scanned, or an empty one; after a scan the next label is expected."""
    scan = ScanForm(typed, prefix="implant")
    if not scan.is_valid():
        return Done("The label cannot be read.", "implant-scan", scan)
    number = max(implants_in(typed), default=0) + 1
    if number > IMPLANTS:
        return Done(f"A page holds {IMPLANTS} implants.", "add-implant")
    label: DeviceLabel | None = scan.cleaned_data["scan"]
    typed["implant-scan"] = ""
    typed[f"implant-{number}-count"] = "1"
    if label is None:
        typed[f"implant-{number}-device_identifier"] = ""
        return Done(f"Implant {number} added.", f"implant-{number}-device_identifier")
    _take_up(typed, f"implant-{number}", label)
    return Done(f"Implant {number} added: {label.device_identifier}.", "implant-scan")


def _take_up(typed: QueryDict, prefix: str, label: DeviceLabel) -> None:
    typed[f"{prefix}-device_identifier"] = label.device_identifier
    typed[f"{prefix}-lot"], typed[f"{prefix}-serial"] = label.lot, label.serial
    typed[f"{prefix}-expires_on"] = label.expires_on.isoformat() if label.expires_on else ""


def _remove_implant(typed: QueryDict, number: int) -> Done:
    remove_implant(typed, number)
    return Done(f"Implant {number} removed.", "add-implant")


def _all_met(typed: QueryDict) -> Done:
    for name in PREREQUISITES:
        typed[f"operation-{name}"] = Answer.YES
    return Done("All six prerequisites are answered yes.", "operation-hka_deg")


def _look_again(typed: QueryDict) -> Done:
    return Done("The facts are worked out anew.", "work-out")


_BUTTONS: dict[str, Callable[..., Done]] = {
    "add-tear": _add_tear,
    r"copy-tear-(\d{1,2})": _copy_tear,
    r"remove-tear-(\d{1,2})": _remove_tear,
    r"add-pass-(\d{1,2})": _add_pass,
    r"remove-pass-(\d{1,2})-(\d{1,2})": _remove_pass,
    "add-implant": _add_implant,
    r"remove-implant-(\d{1,2})": _remove_implant,
    "all-met": _all_met,
    "work-out": _look_again,
}

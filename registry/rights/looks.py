"""Who looked at a patient's record: openings, identities, and look-ups of lots that list their knee."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Q

from registry.isolation.scope import whole_house
from registry.models import IdentityView, Implant, LotLookUp, Membership, Opening, Patient

ONCE_A_DAY = "first that day"
IDENTITY = "Identity"
LOT = "Lot look-up that lists their knee"


@dataclass(frozen=True, slots=True)
class Look:
    """Somebody looked: when, who, at what, and why where that is asked."""

    at: datetime
    who: str
    what: str
    why: str


def looks_at(patient: Patient) -> list[Look]:
    """Every look on record, the latest first."""
    told = [*_openings(patient), *_identities(patient), *_lots(patient)]
    return sorted(told, key=lambda look: look.at, reverse=True)


def _openings(patient: Patient) -> Iterator[Look]:
    for each in Opening.objects.filter(patient=patient).select_related("user"):
        yield Look(each.first_at, each.user.shown_name, f"{each.get_kind_display()}, {ONCE_A_DAY}", "")


def _identities(patient: Patient) -> Iterator[Look]:
    for each in IdentityView.objects.filter(patient=patient).select_related("user"):
        yield Look(each.viewed_at, each.user.shown_name, IDENTITY, each.reason)


def _lots(patient: Patient) -> Iterator[Look]:
    # Of the whole house: a look-up shows to its own unit alone, and another may have put an implant in.
    with whole_house():
        fitting = _fitting(patient)
    for each in fitting:
        yield Look(each.looked_up_at, each.user.shown_name, LOT, each.reason)


def _fitting(patient: Patient) -> list[LotLookUp]:
    """Look-ups that an implant of theirs fits, by people of the unit that put it in, since then."""
    fitting: dict[int, LotLookUp] = {}
    implants: Any = Implant.ever.filter(procedure__knee__patient=patient).select_related("procedure")
    for implant in implants:
        of_lot = Q(lot="") | Q(lot=implant.lot)
        of_device = Q(device_identifier="") | Q(device_identifier=implant.device_identifier)
        people = Membership.objects.filter(unit=implant.procedure.unit_id).values("user")
        since = Q(looked_up_at__gte=implant.procedure.recorded_at, user__in=people)
        found = LotLookUp.objects.filter(of_lot, of_device, since).select_related("user")
        fitting |= {each.pk: each for each in found}
    return list(fitting.values())

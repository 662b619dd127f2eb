"""Today: warning signs, what is due, incomplete and changed, for the units where a person sees the record.

Where they do not, a coordinator gets counts and an administrator the people of the unit.
"""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from registry.access import Action, actions_of, units_for
from registry.pages.find_patient import HospitalNumberForm
from registry.pages.today.changed import recently_recorded
from registry.pages.today.drafts import drafts_of
from registry.pages.today.due import ligament_operations_due, second_looks_due
from registry.pages.today.listing import Units
from registry.pages.today.to_complete import not_signed, to_complete
from registry.pages.today.told_by_patients import to_be_verified, warnings
from registry.pages.today.unit import counts, people


def today(request: HttpRequest) -> HttpResponse:
    """Each section of the page is there only for those whose roles open it."""
    seen = units_for(request.user, Action.SEE_RECORD)
    counted = units_for(request.user, Action.SEE_FIGURES)
    context = {
        **(_of_the_record(request, seen) if seen.exists() else {}),
        "counts": counts(counted.exclude(pk__in=seen)),
        "people": people(units_for(request.user, Action.MANAGE_UNIT).exclude(pk__in=seen)),
    }
    return render(request, "registry/today.html", context)


def _of_the_record(request: HttpRequest, units: Units) -> dict[str, Any]:
    person: Any = request.user
    asked = request.GET
    signs = Action.RECORD_OPERATION in actions_of(person)
    return {
        "warnings": warnings(units, person),
        "find": HospitalNumberForm(),
        "drafts": drafts_of(person),
        "due": [ligament_operations_due(units), second_looks_due(units)],
        "unsigned": not_signed(units, person) if signs else None,
        "to_complete": to_complete(units, asked.get("missing", ""), asked.get("page", "")),
        "to_verify": to_be_verified(units, person),
        "recent": recently_recorded(units),
    }

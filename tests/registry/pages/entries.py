"""What people type into the record's pages: sound entries, to be spoilt one field at a time."""

from collections.abc import Mapping
from typing import Any

from django.http import HttpResponse

from registry.access import Action, units_for
from registry.models import Repair, User
from registry.pages.forms.operation.entry import OperationEntry, Setting
from tests import factories
from tests.conftest import Cast

Posted = dict[str, str]

# A sound repair of one medial tear. Every other control of the page is sent as it came.
OPERATION: Posted = {
    "patient-hospital_number": "NM 0042",
    "patient-sex": "female",
    "patient-born_on": "1999-12-31",
    "patient-side": "right",
    "operation-operated_on": "2024-05-02",
    "operation-injured_on": "2024-04-20",
    "operation-bmi": "24.5",
    "operation-acl": "intact",
    "tear-1-meniscus": "medial",
    "tear-1-pattern": "bucket_handle",
    "tear-1-treatment": "repaired",
    "tear-1-vascular_zone": "RW",
    "repair-1-all_inside": "on",
}


def an_operation_entry(cast: Cast, person: User, changes: Mapping[str, str] | None = None) -> Posted:
    """The whole page as a browser would send it, after typing OPERATION and the changes."""
    page = OperationEntry.opened(Setting(person, units_for(person, Action.RECORD_OPERATION)))
    typed = {
        "patient-unit": str(cast.unit.pk),
        "operation-lead_surgeon": str(cast.oak.pk),
        **OPERATION,
        **(changes or {}),
    }
    return {**as_it_came(page.forms), **typed}


def as_it_came(page: list[Any]) -> Posted:
    """What a browser sends of untouched controls: an unticked box sends nothing."""
    sent = {}
    for form in page:
        for field in form:
            value = field.value()
            if field.widget_type == "nullbooleanselect":
                sent[field.html_name] = "unknown"
            elif field.widget_type != "checkbox" or value:
                sent[field.html_name] = "" if value is None else str(getattr(value, "pk", value))
    return sent


def path(cast: Cast, kind: str) -> str:
    return f"/knees/{cast.knee.uuid}/record/{kind}/"


def of_tear(repair: Repair, **fields: str) -> Posted:
    """Fields of a finding under the names they have on the page."""
    return {f"tear-{repair.tear_id}-{name}": value for name, value in fields.items()}


def text(response: HttpResponse) -> str:
    """The page with white space evened out, as a reader sees it."""
    return " ".join(response.content.decode().replace("&#x27;", "'").split())


def another_repair(cast: Cast) -> Repair:
    """A second tear, lateral, repaired in the same operation."""
    return factories.a_repair(cast.repair.tear.procedure, meniscus="lateral")

"""Making a release: gate, rows, package and ledger entry in one step."""

from dataclasses import dataclass
from hashlib import sha256

from django.conf import settings
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.db.models import QuerySet

from outcomes.cohort import Cohort
from outcomes.failure import FailureDefinition
from outcomes.models import ReleaseEntry
from outcomes.release.package import package_bytes
from outcomes.release.pseudonyms import Pseudonyms
from outcomes.release.rows import release_rows
from registry.access import Action, units_for
from registry.models import Unit, User


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked for: by whom, of which repairs, for which stated purpose under which approval."""

    by: User
    units: QuerySet[Unit]
    cohort: Cohort
    definition: FailureDefinition
    project: str
    purpose: str
    approval: str


def make_release(request: Request) -> tuple[bytes, ReleaseEntry]:
    """The package and its saved ledger entry.

    Raises
    ------
    PermissionDenied
        The person may not release from one of the units.
    ValidationError
        Project, purpose or approval reference is missing.
    ReleaseRefusedError
        The rows cannot be made safe.
    """
    _check(request)
    rows = release_rows(
        request.cohort,
        request.units,
        request.definition,
        Pseudonyms(settings.RELEASE_KEY, request.project),
    )
    package = package_bytes(
        rows,
        project=request.project,
        purpose=request.purpose,
        approval=request.approval,
        cohort=request.cohort.sentence(request.units, name_units=False),
        definition=request.definition,
    )
    entry = ReleaseEntry(
        released_by=request.by,
        project=request.project,
        purpose=request.purpose,
        approval=request.approval,
        cohort_sentence=request.cohort.sentence(request.units),
        definition=request.definition.code,
        rows_in_cohort=rows.in_cohort,
        rows_permitted=rows.permitted,
        rows_suppressed=rows.suppressed,
        rows_released=len(rows.table),
        smallest_class=rows.smallest_class,
        sha256=sha256(package).hexdigest(),
    )
    with transaction.atomic():
        entry.full_clean()
        entry.save()
        entry.units.set(request.units)
    return package, entry


def _check(request: Request) -> None:
    allowed = set(units_for(request.by, Action.RELEASE).values_list("pk", flat=True))
    asked = set(request.units.values_list("pk", flat=True))
    if not asked or asked - allowed:
        raise PermissionDenied
    for name in ("project", "purpose", "approval"):
        if not getattr(request, name).strip():
            raise ValidationError(f"{name}: a release needs a stated {name}. Enter it.")

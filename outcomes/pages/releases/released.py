"""One release: what the ledger says of it, its package and disclosure report, and its recall."""

import zipfile
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.template.defaultfilters import filesizeformat
from django.utils.formats import date_format

from outcomes.definitions import definition_coded
from outcomes.failure import FailureDefinition
from outcomes.models import LedgerEntry, LedgerKind
from outcomes.pages.releases.cautions import ONCE_OUT
from outcomes.pages.releases.found import release_for
from outcomes.pages.releases.preview_told import attributes_table
from outcomes.release import ledger, store
from registry.pages.forms.base import Spoken
from registry.pages.unit import person_of
from registry.signing_in.confirming import confirm_first

ROWS = {
    "in_cohort": "Repairs in the cohort",
    "permitted": "Of patients who allow research",
    "suppressed": "Left out to hide people",
    "released": "Released",
}
# The disclosure report by its name within a package of rows, and of counts.
REPORTS = ("disclosure-report.html", "report.html")


class RecallForm(Spoken, forms.Form):
    """Why a release is recalled."""

    title = "Recall"
    reason = forms.CharField(
        max_length=500,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Goes into the ledger for good: name no person.",
    )


def release(request: HttpRequest, release: UUID) -> HttpResponse:
    """One release; a reason posted recalls it."""
    entry = release_for(request, release)
    form = RecallForm(request.POST or None)
    if request.method == "POST" and form.is_valid() and _recalled(request, entry, form):
        return redirect("release", entry.uuid)
    store.settle()
    said, path = entry.said, store.path_of(entry)
    later = list(entry.later.select_related("written_by").order_by("number"))
    context = {
        "entry": entry,
        "said": said,
        "asked": said.get("asked", said),
        "cohort": _sentence(said),
        "definition": _definition(said.get("asked", said)),
        "facts": list(_facts(said)),
        "levels": attributes_table(said["levels"]) if "levels" in said else None,
        "recall": next((each for each in later if each.kind == LedgerKind.RECALL), None),
        "letters": [each for each in later if each.kind == LedgerKind.LETTER],
        "is_here": path is not None,
        "is_kept": said.get("kept", False),
        "has_report": path is not None and _report_name(path) is not None,
        "form": form,
        "once_out": ONCE_OUT,
    }
    return render(request, "outcomes/releases/release.html", context, status=422 if form.is_bound else 200)


@confirm_first
def release_package(request: HttpRequest, release: UUID) -> HttpResponseBase:
    """The package itself, byte for byte as released; 404 once recalled."""
    entry = release_for(request, release)
    path = store.path_of(entry)
    if path is None:
        raise Http404
    return FileResponse(path.open("rb"), as_attachment=True, filename=f"release-{entry.number}.zip")


@confirm_first
def release_report(request: HttpRequest, release: UUID) -> HttpResponse:
    """The disclosure report out of the package, as a file of its own."""
    entry = release_for(request, release)
    path = store.path_of(entry)
    if path is None:
        raise Http404
    name = _report_name(path)
    if name is None:
        raise Http404
    with zipfile.ZipFile(path) as package:
        report = package.read(name)
    answer = HttpResponse(report, content_type="text/html; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="release-{entry.number}-{name}"'
    return answer


def _report_name(path: Path) -> str | None:
    """The report's name within a package; None where it has none."""
    if not zipfile.is_zipfile(path):
        return None
    with zipfile.ZipFile(path) as package:
        return next((name for name in REPORTS if name in package.namelist()), None)


def _sentence(said: Mapping[str, Any]) -> str:
    """The cohort in words, in either form that the ledger has known."""
    cohort = said.get("cohort", "")
    return str(cohort["sentence"] if isinstance(cohort, dict) else cohort)


def _definition(asked: Mapping[str, Any]) -> FailureDefinition | None:
    return definition_coded(asked["definition"]) if "definition" in asked else None


def _facts(said: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """How many repairs came through each step, and how well they hide their people."""
    for name, label in ROWS.items():
        if name in said.get("rows", {}):
            yield label, f"{said['rows'][name]:,}"
    if "patients" in said:
        yield "Patients alike, at least", str(said["patients"])
    if "size" in said:
        yield "Size", filesizeformat(said["size"])
    if "snapshot_at" in said:
        yield "Record as of", date_format(datetime.fromisoformat(said["snapshot_at"]), "j M Y H:i")


def _recalled(request: HttpRequest, entry: LedgerEntry, form: RecallForm) -> bool:
    """Recall it; False, with the reason on the form, when it cannot be."""
    try:
        ledger.recall(entry, person_of(request), form.cleaned_data["reason"])
    except ValidationError as refusal:
        form.add_error(None, refusal.messages)
        return False
    messages.success(request, "The release is recalled. Its package can be downloaded no longer.")
    return True

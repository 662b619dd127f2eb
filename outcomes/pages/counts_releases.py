"""A release of counts: asked for, looked at as it would leave, then released."""

from collections.abc import Mapping
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from outcomes.definitions import definitions_for
from outcomes.failure import REOPERATION
from outcomes.pages.releases.cautions import CAUTIONS
from outcomes.pages.releases.cohort_choice import Choices, asked_in
from outcomes.pages.releases.form import NO_COHORT
from outcomes.release.counts.asking import asked_of
from outcomes.release.counts.counts_package import HIDDEN_WORD, NOT_PROMISED, counts_table
from outcomes.release.counts.making import Prepared, prepare_counts, release_counts
from outcomes.release.counts.tables import COLUMN_SPLITS, OUTCOME, SPLITS
from outcomes.release.making import STATED
from outcomes.release.refusals import ReleaseRefusedError
from registry.access import Action, require
from registry.models import Unit, User
from registry.pages.forms.base import Spoken
from registry.pages.unit import person_of
from registry.signing_in.confirming import confirm_first

TEMPLATE = "outcomes/counts_release.html"
OPENS_BY = "zone"
# The fields of a request that the form calls by another name.
FIELDS = {"cohort_name": "cohort", "k": "cohort", "definition": "failure"}
CHANGED = "The table is not the one you looked at: the record or what is asked for has changed. Look again."
RELEASED = "The counts are released, and entered in the ledger."


class CountsForm(Spoken, forms.Form):
    """Everything that a release of counts has to state; `seen` names the table that was looked at."""

    cohort = forms.ChoiceField(label="Cohort", error_messages={"invalid_choice": NO_COHORT})
    rows = forms.ChoiceField(label="Rows", choices=SPLITS.items(), initial=OPENS_BY)
    columns = forms.ChoiceField(label="Columns", choices=COLUMN_SPLITS.items(), initial=OUTCOME)
    failure = forms.ChoiceField(label="Failure means", help_text="Counts where the columns tell the outcome.")
    project = forms.CharField(max_length=60)
    purpose = forms.CharField(
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Goes into the package as written: name no person and no place.",
    )
    approval = forms.CharField(
        max_length=100, label="Approval reference", help_text="Of the ethics committee or whoever approves."
    )
    recipient = forms.CharField(max_length=200, help_text="The group or institute that gets the package.")
    steward = forms.CharField(
        max_length=200, label="Recipient's data steward", help_text="An office, with an address."
    )
    seen = forms.CharField(required=False, widget=forms.HiddenInput)

    def __init__(
        self, units: QuerySet[Unit], choices: Choices, posted: Any, initial: Mapping[str, Any]
    ) -> None:
        super().__init__(posted, initial={"failure": REOPERATION.code, **initial})
        self.choices = choices
        fields: Any = self.fields
        fields["cohort"].choices = choices.named()
        fields["failure"].choices = [(code, known.name) for code, known in definitions_for(units).items()]

    @property
    def which(self) -> list[forms.BoundField]:
        """The fields that say what is counted."""
        return [self[name] for name in ("cohort", "rows", "columns", "failure")]

    @property
    def why(self) -> list[forms.BoundField]:
        """The fields that say what for."""
        return [self[name] for name in STATED]

    def prepared(self, person: User) -> Prepared | None:
        """The table of a sound form; None, with the reason on its field, where it is refused."""
        said = self.cleaned_data
        choice = self.choices.by_code[said["cohort"]]
        stated = {name: said[name] for name in STATED}
        asked = asked_of(choice.version, choice.cohort.query(), choice.units, said["failure"], stated)
        try:
            return prepare_counts(asked, said["rows"], said["columns"], person)
        except ValidationError as refusal:
            for name, words in refusal.message_dict.items():
                field = FIELDS.get(name, name)
                self.add_error(field if field in self.fields else None, ValidationError(words))
        except ReleaseRefusedError as refusal:
            self.add_error(None, str(refusal))
        return None


@confirm_first
def counts_release(request: HttpRequest) -> HttpResponse:
    """The form; a sound one shows the table as it would leave, and a table looked at may be released."""
    units = require(request.user, Action.RELEASE)
    person = person_of(request)
    asked = request.POST.get("cohort") or asked_in(request.GET)
    form = CountsForm(
        units, Choices.of(person, units, asked), request.POST or None, {"cohort": asked} if asked else {}
    )
    prepared = form.prepared(person) if form.is_valid() else None
    if prepared and "release" in request.POST:
        if form.cleaned_data["seen"] == prepared.digest:
            entry = release_counts(prepared, person)
            messages.success(request, RELEASED)
            return redirect("release", entry.uuid)
        form.add_error(None, CHANGED)
    context = {
        "form": form,
        "cautions": (*CAUTIONS[:2], *NOT_PROMISED),
        "hidden_word": HIDDEN_WORD,
        **(_looked_at(prepared) if prepared else {}),
    }
    return render(request, TEMPLATE, context, status=422 if form.errors else 200)


def _looked_at(prepared: Prepared) -> dict[str, Any]:
    """The table as it would leave, and what is said of it."""
    frozen = prepared.frozen
    return {
        "frozen": frozen,
        "table": counts_table(frozen),
        "hidden": int(frozen.suppressed.hidden.sum()),
        "without_permission": prepared.in_cohort - frozen.total,
        "digest": prepared.digest,
    }

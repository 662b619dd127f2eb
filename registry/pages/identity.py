"""Identity: the one page that shows who a patient is. It asks why, logs every showing, and corrects.

Plain values live in the answer to one request alone: what is kept, its corrections too, is sealed.
"""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any, ClassVar, Self
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from registry import sealing
from registry.access import Action, knee_for
from registry.models import Identity, IdentityView, Knee, Patient, User
from registry.pages.corrections import ReasonForm, told, with_theirs
from registry.pages.forms.base import RecordForm, Spoken, problems_of
from registry.pages.forms.saving import attempt
from registry.pages.rights.asked import ERASURE, WHO_LOOKED
from registry.recording import ChangedMeanwhile, correct, record
from registry.rights.free_text import REMOVED
from registry.signing_in.confirming import confirm_first

# How long one opening lasts for a correction.
OPEN_FOR = timedelta(hours=1)
OPEN_FIRST = (
    "The identity was not corrected: you have not opened it within the last hour. Open it, saying why, and "
    "enter the correction again."
)
TAKEN = "This hospital number is another patient's in the unit's record. Check it: no two patients share one."
MEANWHILE = (
    "Nothing was saved: this identity was corrected while you had it open ({who}: {why}). Above is what "
    "stands now, below is what you typed. Save again to put yours in its place."
)
# Kept as the reason where a correction to be mended shows the identity again.
SHOWN_AGAIN = "Shown again, with a correction that was not saved"
# Views that are no opening: nothing was shown, only what an opening before had shown, or it is erased since.
NO_OPENING = Q(reason__in=[ERASURE, SHOWN_AGAIN, REMOVED]) | Q(reason__startswith=WHO_LOOKED)
NAME_NOBODY = "Kept in the history of this record with your name and the time. Name nobody in it."
UNCHANGED = "Nothing differs from what is on record. Change a value, or leave this page."


class OpeningForm(RecordForm):
    """Why an identity is opened."""

    class Meta:
        model = IdentityView
        fields = ("reason",)
        help_texts: ClassVar = {
            "reason": "Kept with your name and the time, for anybody who may see this page."
        }


def _plain_text(max_length: int, *, required: bool = False) -> forms.CharField:
    widget = forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"})
    return forms.CharField(max_length=max_length, required=required, widget=widget)


class IdentityForm(Spoken, forms.Form):
    """Who a patient is, in plain values, opened from a sealed identity or from none."""

    title = "Identity"
    given_names = _plain_text(120)
    family_name = _plain_text(120)
    email = forms.EmailField(required=False, widget=forms.EmailInput(attrs={"autocomplete": "off"}))
    phone = _plain_text(40)
    hospital_number = _plain_text(40, required=True)

    def __init__(self, kept: Identity, posted: Any = None) -> None:
        self.kept = kept
        self.plain = kept.opened()
        super().__init__(posted, initial=self.plain)

    def clean(self) -> dict[str, Any]:
        if not self.errors and not self.changed:
            raise ValidationError(UNCHANGED)
        return self.cleaned_data

    @property
    def changed(self) -> dict[str, str]:
        """The values that differ from what is on record."""
        said = {name: self.cleaned_data[name] for name in Identity.FIELDS}
        return {name: value for name, value in said.items() if value != self.plain[name]}

    def refuse_taken_number(self) -> None:
        """Say that the number is another patient's; not before all else is right, reason and all."""
        index = self._index(self.cleaned_data["hospital_number"])
        same = Identity.objects.filter(unit=self.kept.unit, hospital_number_index=index)
        if same.exclude(patient=self.kept.patient).exists():
            self.add_error("hospital_number", TAKEN)

    def corrected(self) -> Identity:
        """The identity with what changed sealed anew; the rest keeps its seal and counts as unchanged."""
        for name, value in self.changed.items():
            setattr(self.kept, f"{name}_sealed", sealing.seal(value))
        self.kept.hospital_number_index = self._index(self.cleaned_data["hospital_number"])
        return self.kept

    def _index(self, number: str) -> str:
        return sealing.blind_index(self.kept.unit_id, number)

    @property
    def facts(self) -> list[tuple[str, str]]:
        """Label and value of everything on record."""
        return [(str(self[name].label), value) for name, value in self.plain.items() if value]


@dataclass
class Opened:
    """An opened identity on the page, with the form that corrects it."""

    edit: IdentityForm
    reason: ReasonForm

    @classmethod
    def of(cls, patient: Patient, posted: QueryDict | None = None) -> Self:
        recorded = Identity.objects.filter(patient=patient).first()
        kept = recorded or Identity(patient=patient, unit=patient.unit)
        reason = ReasonForm(kept, posted)
        reason.fields["reason"].help_text = NAME_NOBODY
        return cls(IdentityForm(kept, posted), reason)

    @property
    def forms(self) -> list[Spoken]:
        return [self.edit, self.reason]

    def is_valid(self) -> bool:
        if not all([form.is_valid() for form in self.forms]):
            return False
        self.edit.refuse_taken_number()
        return self.edit.is_valid()

    def save(self, by: User) -> bool:
        """Correct the record; False when it refuses, with the reason on the form."""
        row = self.edit.corrected()
        seen = None if row._state.adding else self.reason.mark
        return attempt(lambda: correct(row, act=self.reason.act(by), seen=seen), [(self.edit, row)])


@sensitive_post_parameters()
@confirm_first
def identity(request: HttpRequest, knee: UUID) -> HttpResponse:
    """The question why; after its answer, who the patient is."""
    found = knee_for(request.user, knee, Action.SEE_IDENTITY)
    view = IdentityView(patient=found.patient, user=_person(request))
    form = OpeningForm(request.POST if request.method == "POST" else None, instance=view)
    if form.is_valid():
        record(view)
        return _opened(request, found, Opened.of(found.patient))
    status = 422 if form.is_bound else 200
    return render(request, "registry/identity.html", {**_context(found), "form": form}, status=status)


@sensitive_post_parameters()
@require_POST
@confirm_first
def correct_identity(request: HttpRequest, knee: UUID) -> HttpResponse:
    """What is to be mended, or back to the closed page. Only who opened the identity corrects it."""
    found = knee_for(request.user, knee, Action.SEE_IDENTITY)
    person = _person(request)
    if not _has_opened(person, found.patient):
        messages.error(request, OPEN_FIRST)
        return redirect("identity", found.uuid)
    page = Opened.of(found.patient, request.POST)
    try:
        saved = page.is_valid() and page.save(person)
    except ChangedMeanwhile as met:
        page, saved = _with_theirs(found.patient, request.POST, met, person), False
    if saved:
        messages.success(request, "The identity is corrected.")
        return redirect("identity", found.uuid)
    record(IdentityView(patient=found.patient, user=person, reason=SHOWN_AGAIN))
    return _opened(request, found, page)


def _with_theirs(patient: Patient, posted: QueryDict, met: ChangedMeanwhile, reader: User) -> Opened:
    """The page with what stands by now above what was typed; sent again, it goes on top."""
    page = Opened.of(patient, with_theirs(posted, [], met))
    if page.is_valid():
        last = told(met.corrections, reader)[-1]
        page.edit.add_error(None, MEANWHILE.format(who=last.who, why=last.reason))
    return page


def _person(request: HttpRequest) -> User:
    assert isinstance(request.user, User)  # noqa: S101 - knee_for() let nobody else pass
    return request.user


def _has_opened(person: User, patient: Patient) -> bool:
    now = timezone.now()
    # Nothing said at a time still to come: with the clock set back it would open for as long as that.
    lately = (now - OPEN_FOR, now)
    views = IdentityView.objects.filter(user=person, patient=patient, viewed_at__range=lately)
    return views.exclude(NO_OPENING).exists()


def _opened(request: HttpRequest, knee: Knee, page: Opened) -> HttpResponse:
    """The page with plain values on it; the log entry stands before this is called."""
    problems = problems_of(page.forms) if page.edit.is_bound else []
    context = {**_context(knee), "page": page, "problems": problems}
    return render(request, "registry/identity.html", context, status=422 if problems else 200)


def _context(knee: Knee) -> dict[str, Any]:
    return {"knee": knee, "views": knee.patient.identity_views.select_related("user")[:20]}

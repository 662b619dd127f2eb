"""Key in a paper form: one screen in the order of the sheet, once, or twice and compared.

Of two passes the first is carried in the page, sealed: who keys in the second cannot read it. Nothing is
recorded until both agree.
"""

import json
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from cryptography.fernet import InvalidToken
from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.formats import date_format

from registry import sealing
from registry.access import Action, Person, knee_for, knees_for, require
from registry.models import Knee, PatientReport, User
from registry.pages.forms.base import Spoken, problems_of
from registry.pages.forms.events.scores import outcome
from registry.pages.forms.keyed import KeyedForm, SettlingForm, Typed
from registry.pages.forms.saving import save
from registry.pages.sheet_choice import SheetForm
from registry.scoring import INSTRUMENTS, Instrument
from registry.scoring.paper import EXAMPLE, SheetCode
from registry.vocabulary import OperatedAgain, TimePoint

CARRIED, TWICE = "carried", "twice"
UNREADABLE = "What was keyed in before cannot be read any more. Nothing was recorded: key the sheet in anew."
DIFFER = "The two passes differ. Nothing is recorded yet: look at the sheet and settle each difference."
TO_VERIFY = "The patient tells of another operation, or is not sure: it is listed on Today, to be verified."
SIGNS = "A warning sign is ticked: it is listed on Today until it is seen to."


class Unreadable(Exception):  # noqa: N818 - a state of affairs, not a mistake
    """What the page carried was altered, sealed by a key given up, or of another sheet or person."""


class CodeForm(Spoken, forms.Form):
    """The code of a sheet, and whether the pile is keyed in twice."""

    title = "Sheet"
    code = forms.CharField(
        label="Sheet code",
        max_length=60,
        help_text=f"At the top of each page of the sheet, such as {EXAMPLE}.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )
    twice = forms.BooleanField(label="Key in twice and compare", required=False)

    def __init__(self, person: Person, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, use_required_attribute=False, **kwargs)
        self.person = person

    def clean_code(self) -> tuple[Knee, SheetCode]:
        """The code with the knee that it leads to."""
        try:
            code = SheetCode.read(self.cleaned_data["code"])
        except ValueError as error:
            raise forms.ValidationError(str(error)) from error
        knees = list(knees_for(self.person, Action.RECORD_FOLLOW_UP).filter(uuid__range=code.knees)[:2])
        if len(knees) != 1 or code.instrument not in INSTRUMENTS or code.time_point not in TimePoint.values:
            raise forms.ValidationError(
                f"No sheet of your unit has the code {code}. Compare it with the sheet."
            )
        return knees[0], code

    @property
    def address(self) -> str:
        """Where the sheet is keyed in."""
        knee, code = self.cleaned_data["code"]
        asked = {"instrument": code.instrument, "time_point": code.time_point}
        twice = {TWICE: "on"} if self.cleaned_data[TWICE] else {}
        return f"{reverse('keyed_entry', args=[knee.uuid])}?{urlencode({**asked, **twice})}"


@dataclass(frozen=True, slots=True)
class Step:
    """What the page shows next: a form, with the passes before it, none of them readable."""

    form: Spoken
    carried: tuple[Typed, ...] = ()
    status: int = 200
    # Of a first pass that is keyed in again, whether a second one follows.
    twice: bool = False


def find_sheet(request: HttpRequest) -> HttpResponse:
    """From the code on a sheet to the page where it is keyed in."""
    require(request.user, Action.RECORD_FOLLOW_UP)
    form = (
        CodeForm(request.user, request.GET)
        if "code" in request.GET
        else CodeForm(request.user, initial={TWICE: TWICE in request.GET})
    )
    if form.is_valid():
        return redirect(form.address)
    problems = problems_of([form])
    context = {"form": form, "problems": problems}
    return render(request, "registry/find_sheet.html", context, status=422 if problems else 200)


def keyed_entry(request: HttpRequest, knee: UUID) -> HttpResponse:
    """The empty page, the second pass, the differences, or on to the next sheet."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    assert isinstance(request.user, User)  # noqa: S101 - knee_for() let nobody else pass
    choice = SheetForm(found, request.GET)
    if not choice.is_valid():
        return render(
            request,
            "registry/keyed_entry.html",
            {"knee": found, "problems": problems_of([choice])},
            status=422,
        )
    point = request.GET.get("time_point", "")
    # A sheet printed between two reviews may be answered in one: then its date tells.
    entry = KeyedEntry(
        found,
        INSTRUMENTS[choice.cleaned_data["instrument"]],
        "" if point == TimePoint.UNPLANNED else point,
        request.user,
    )
    if request.method != "POST":
        return _show(request, entry, Step(entry.form(), twice=TWICE in request.GET))
    try:
        step = entry.answered(request.POST)
    except Unreadable as error:
        messages.warning(request, str(error))
        return redirect(request.get_full_path())
    if isinstance(step, KeyedForm):
        return _recorded(request, step)
    return _show(request, entry, step)


class KeyedEntry:
    """One sheet being keyed in by one person."""

    def __init__(self, knee: Knee, instrument: Instrument, time_point: str, user: User) -> None:
        self.knee, self.instrument, self.time_point, self.user = knee, instrument, time_point, user

    def form(self, typed: Any = None) -> KeyedForm:
        return KeyedForm(self.knee, self.instrument, typed, initial={"time_point": self.time_point})

    def answered(self, posted: QueryDict) -> Step | KeyedForm:
        """The next step, or the form as it was recorded."""
        passes = self.unsealed(posted.get(CARRIED, ""))
        if len(passes) == 2:
            return self._settled(passes, posted)
        form = self.form(posted)
        if not form.is_valid():
            return Step(form, passes, 422, TWICE in posted)
        if passes:
            return self._compared(passes[0], form)
        if TWICE in posted:
            return Step(self.form(), (form.typed,))
        return self._saved(form)

    def sealed(self, passes: tuple[Typed, ...]) -> str:
        """The passes so far, readable by nobody, good for this person, knee and form alone."""
        return sealing.seal(json.dumps({"of": self._of, "passes": passes})) if passes else ""

    def unsealed(self, carried: str) -> tuple[Typed, ...]:
        """The passes so far; Unreadable where they are not of this very entry."""
        if not carried:
            return ()
        try:
            kept = json.loads(sealing.unseal(carried))
        except (InvalidToken, ValueError) as error:
            raise Unreadable(UNREADABLE) from error
        if not isinstance(kept, dict) or kept.get("of") != self._of:
            raise Unreadable(UNREADABLE)
        return tuple(kept["passes"])

    @property
    def _of(self) -> list[Any]:
        return [str(self.knee.uuid), self.instrument.code, self.user.pk]

    def _compared(self, first: Typed, form: KeyedForm) -> Step | KeyedForm:
        if form.typed == first:
            return self._saved(form)
        return Step(SettlingForm(self.form(), first, form.typed), (first, form.typed))

    def _settled(self, passes: tuple[Typed, ...], posted: QueryDict) -> Step | KeyedForm:
        first, second = passes
        settling = SettlingForm(self.form(), first, second, posted)
        if not settling.is_valid():
            return Step(settling, passes, 422)
        form = self.form(settling.settled)
        return self._saved(form) if form.is_valid() else Step(form, (), 422, twice=True)

    def _saved(self, form: KeyedForm) -> Step | KeyedForm:
        return form if save(form.entries, self.user) else Step(form, (), 422)


def _show(request: HttpRequest, entry: KeyedEntry, step: Step) -> HttpResponse:
    context = {
        "knee": entry.knee,
        "instrument": entry.instrument,
        "form": step.form,
        "settling": isinstance(step.form, SettlingForm),
        "second": bool(step.carried),
        "carried": entry.sealed(step.carried),
        "twice": step.twice,
        "problems": problems_of([step.form]),
        "differ": DIFFER,
    }
    return render(request, "registry/keyed_entry.html", context, status=step.status)


def _recorded(request: HttpRequest, form: KeyedForm) -> HttpResponse:
    """Say what the answers come to and what is to be done about them; then the next sheet."""
    said, score = form.cleaned_data, form.score
    day = date_format(score.answered_on)
    messages.success(request, f"{form.instrument.name} of {day} recorded from paper. {outcome(score)}")
    if said["operated_again"] in (OperatedAgain.YES, OperatedAgain.UNSURE):
        messages.warning(request, TO_VERIFY)
    if any(said[name] for name in PatientReport.SIGNS):
        messages.warning(request, SIGNS)
    twice = f"?{TWICE}=on" if CARRIED in request.POST else ""
    return redirect(f"{reverse('find_sheet')}{twice}")

"""Failure definitions: what counts as failing here, and a unit's own, said in words before it is kept."""

from dataclasses import dataclass
from typing import Any, Self

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.forms.boundfield import BoundField
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST

from outcomes import naming
from outcomes.definitions import as_definition
from outcomes.failure import DEFINITIONS, KINDS, SOURCES, FailureDefinition
from outcomes.models import OwnDefinition
from registry.access import Action, require, units_for
from registry.models import Unit, User
from registry.pages.forms.base import Spoken
from registry.pages.unit import person_of

# The button that keeps what was said in words; the other one only says it.
KEEP_BUTTON = "keep"
SAY_AGAIN = "The events are not those that were shown when you pressed the button. Read this, then keep it."
NOT_LED = "'%(value)s' is none of the units whose audit you lead. Choose one of the list."


class DefineForm(Spoken, forms.Form):
    """A name and the events that end a repair, ticked by kind; one that `replaces` another starts as that."""

    unit = forms.TypedChoiceField(error_messages={"invalid_choice": NOT_LED})
    name = forms.CharField(widget=forms.TextInput({"maxlength": naming.LONGEST_NAME}))

    def __init__(self, units: QuerySet[Unit], replaces: OwnDefinition | None, posted: Any = None) -> None:
        super().__init__(posted, initial=_as_typed(replaces) if replaces else None)
        self.replaces = replaces
        known = {unit.code: unit for unit in ([replaces.unit] if replaces else units)}
        field: Any = self.fields["unit"]
        field.choices = [(code, unit.name) for code, unit in known.items()]
        field.coerce = known.__getitem__
        for kind, title in KINDS.items():
            self.fields[kind] = forms.MultipleChoiceField(
                label=title,
                required=False,
                choices=[
                    (each.code, _sentence_case(each.what)) for each in SOURCES.values() if each.kind == kind
                ],
                widget=forms.CheckboxSelectMultiple,
            )

    @property
    def events(self) -> list[BoundField]:
        """The boxes to tick, by kind."""
        return [self[kind] for kind in KINDS]

    def definition(self, by: User) -> OwnDefinition | None:
        """What was typed, checked but not saved; None when it is refused, with the reason on the form."""
        if not self.is_valid():
            return None
        try:
            return naming.checked_definition(by, *self.said)
        except ValidationError as refusal:
            for field, words in refusal.message_dict.items():
                self.add_error(field if field in self.fields else None, words)
            return None

    @property
    def said(self) -> tuple[Unit, str, list[str], OwnDefinition | None]:
        """Unit, name, codes of the events and what it replaces, as naming takes them."""
        said = self.cleaned_data
        ticked = [code for kind in KINDS for code in said[kind]]
        return said["unit"], said["name"], ticked, self.replaces


def _as_typed(own: OwnDefinition) -> dict[str, Any]:
    ticked = {kind: [code for code in own.sources if SOURCES[code].kind == kind] for kind in KINDS}
    return {"unit": own.unit.code, "name": own.name, **ticked}


def _sentence_case(words: str) -> str:
    return words[:1].upper() + words[1:]


@dataclass(frozen=True, slots=True)
class Line:
    """A definition as it is listed; `own` is None for those that all units share."""

    definition: FailureDefinition
    own: OwnDefinition | None = None
    is_led: bool = False

    @classmethod
    def of(cls, own: OwnDefinition, led: QuerySet[Unit]) -> Self:
        return cls(as_definition(own), own, own.retired_at is None and own.unit in led)


# --- pages ------------------------------------------------------------------------------------


def definitions(request: HttpRequest) -> HttpResponse:
    """Every definition that one's units count by; an audit lead adds to them."""
    units = require(request.user, Action.SEE_FIGURES)
    led = units_for(request.user, Action.DEFINE_FAILURE)
    if request.method == "POST":
        return _define(request, units, require(request.user, Action.DEFINE_FAILURE))
    form = DefineForm(led, _replaced(request, led)) if led else None
    return _page(request, units, led, form)


@require_POST
def retire_definition(request: HttpRequest, pk: int) -> HttpResponse:
    """Offer a definition no longer."""
    units = require(request.user, Action.SEE_FIGURES)
    own = OwnDefinition.objects.filter(unit__in=units, pk=pk).select_related("unit").first()
    if own is None:
        raise Http404
    naming.retire_definition(own, person_of(request))
    messages.success(request, f"'{own.name}' is retired: offered no longer, and kept where it was used.")
    return redirect("own_definitions")


def _define(request: HttpRequest, units: QuerySet[Unit], led: QuerySet[Unit]) -> HttpResponse:
    """Say the definition in words; keep it once those words were read."""
    form = DefineForm(led, _replaced(request, led), request.POST)
    checked = form.definition(person_of(request))
    if checked is None:
        return _page(request, units, led, form, status=422)
    said = as_definition(checked)
    if KEEP_BUTTON not in request.POST:
        return _page(request, units, led, form, said)
    if request.POST.get("shown") != said.sentence:
        return _page(request, units, led, form, said, caution=SAY_AGAIN, status=422)
    kept = naming.define_failure(person_of(request), *form.said)
    messages.success(request, f"'{kept.name}' is in use at {kept.unit}.")
    return redirect("own_definitions")


def _replaced(request: HttpRequest, led: QuerySet[Unit]) -> OwnDefinition | None:
    """The definition in use that another is to take the place of, if the address or the form names one."""
    key = request.POST.get("replaces") or request.GET.get("replaces") or ""
    if not key:
        return None
    in_use = OwnDefinition.objects.filter(unit__in=led, retired_at__isnull=True).select_related("unit")
    own = in_use.filter(pk=key).first() if key.isdecimal() else None
    if own is None:
        raise Http404
    return own


def _page(
    request: HttpRequest,
    units: QuerySet[Unit],
    led: QuerySet[Unit],
    form: DefineForm | None,
    said: FailureDefinition | None = None,
    *,
    caution: str = "",
    status: int = 200,
) -> HttpResponse:
    own = OwnDefinition.objects.filter(unit__in=units).select_related("unit", "made_by")
    lines = [Line.of(each, led) for each in own]
    context = {
        "shared": [Line(known) for known in DEFINITIONS.values()],
        "in_use": [line for line in lines if line.own and line.own.retired_at is None],
        "retired": [line for line in lines if line.own and line.own.retired_at],
        "form": form,
        "said": said,
        "caution": caution,
    }
    return render(request, "outcomes/own_definitions.html", context, status=status)

"""The filters of a cohort as they stand in an address, and what a page may show of the cohort asked for."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, ClassVar, Generic, TypeVar
from urllib.parse import urlencode

from django import forms
from django.db.models import QuerySet
from django.forms.boundfield import BoundField
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.text import get_text_list

from outcomes import isolation
from outcomes.cohort import DAYS, Cohort, UnknownFilterError
from outcomes.definitions import definitions_for
from outcomes.failure import REOPERATION, FailureDefinition
from outcomes.strata import STRATA, Stratum
from registry.access import Action, actions_of
from registry.models import Unit, User

FAILURE = "failure"
_LABELS = {"which": "Repairs", "unit": "Unit", **DAYS, FAILURE: "Failure means"}
_OF_COHORT = tuple(asdict(Cohort()))
_NOT_A_CHOICE = "{name}: '%(value)s' is not one of {choices}. Choose one of the list."

Choices = Mapping[str, str]


class FilterForm(forms.Form):
    """The filters of a cohort. Those `IN_VIEW` stand first, the others wait behind "More filters".

    A page's own selects go in front; whatever it does not show, `HIDDEN`, travels along to the next page.
    """

    IN_VIEW: ClassVar[tuple[str, ...]] = ("which", "unit", "since", "until")
    HIDDEN: ClassVar[tuple[str, ...]] = ()

    def __init__(self, query: Mapping[str, Any], units: QuerySet[Unit], before: str = "") -> None:
        self.units, self.before = units, before
        self.definitions: dict[str, FailureDefinition] = {}
        self.cohort = Cohort()
        own, selects = self.own_selects(), Cohort.choices(units)
        self.defaults = {**dict.fromkeys(own, ""), **self.own_defaults(), **asdict(Cohort())}
        given = {name: str(query.get(before + name) or default) for name, default in self.defaults.items()}
        super().__init__({before + name: value.strip() for name, value in given.items()})
        for name, (label, choices) in own.items():
            self.fields[name] = _select(before + name, label, choices)
        for name in self.defaults:
            if name in selects:
                self.fields[name] = _select(before + name, _label(name), selects[name])
            elif name in DAYS:
                self.fields[name] = _day(name)

    def own_selects(self) -> dict[str, tuple[str, Choices]]:
        """Label and choices of what this page asks beside the cohort."""
        return {}

    def own_defaults(self) -> dict[str, str]:
        """What is meant where the page's own selects say nothing, unless that is the empty choice."""
        return {}

    def add_prefix(self, field_name: str) -> str:
        return f"{self.before}{field_name}"

    def clean(self) -> None:
        # What a field refused is no longer here, so that what else is wrong is told at the same time.
        try:
            self.cohort = Cohort.from_query(self.cleaned_data, self.units)
        except UnknownFilterError as problem:
            self.add_error(str(problem).partition(":")[0], f"{self.before}{problem}")

    @property
    def definition(self) -> FailureDefinition:
        """The definition of failure asked for, on pages that ask."""
        return self.definitions.get(self.cleaned_data.get(FAILURE, ""), REOPERATION)

    @property
    def query(self) -> dict[str, str]:
        """What differs from the default, as it stands in an address."""
        values = ((name, self.cleaned_data[name], default) for name, default in self.defaults.items())
        return {
            self.add_prefix(name): str(value)
            for name, value, default in values
            if value not in (None, "", default)
        }

    # --- how it is laid out -------------------------------------------------------------------

    @property
    def in_view(self) -> list[BoundField]:
        behind = {*_OF_COHORT, *self.HIDDEN} - {*self.IN_VIEW}
        return [self[name] for name in self.fields if name not in behind]

    @property
    def more(self) -> list[BoundField]:
        return [self[name] for name in _OF_COHORT if name not in self.IN_VIEW]

    @property
    def more_is_open(self) -> bool:
        return any(field.value() or field.errors for field in self.more)

    @property
    def carried(self) -> list[tuple[str, str]]:
        """Names and values that the page has no control for."""
        values = ((self.add_prefix(name), self[name].value()) for name in self.HIDDEN if name in self.fields)
        return [(name, value) for name, value in values if value]


class FailureForm(FilterForm):
    """The filters of a cohort with the definition of failure."""

    def own_selects(self) -> dict[str, tuple[str, Choices]]:
        self.definitions = definitions_for(self.units)
        names = {code: definition.name for code, definition in self.definitions.items()}
        return {FAILURE: (_LABELS[FAILURE], names)}

    def own_defaults(self) -> dict[str, str]:
        return {FAILURE: REOPERATION.code}


def _label(name: str) -> str:
    title = STRATA[name].title if name in STRATA else ""
    return _LABELS.get(name) or title[:1].upper() + title[1:]


def _select(name: str, label: str, choices: Choices) -> forms.ChoiceField:
    known = ", ".join(filter(None, choices)) or "none, as long as nothing is split"
    refused = _NOT_A_CHOICE.format(name=name, choices=known.replace("%", "%%"))
    return forms.ChoiceField(
        label=label,
        choices=list(choices.items()),
        required=False,
        error_messages={"invalid_choice": refused},
    )


def _day(name: str) -> forms.CharField:
    """The cohort itself reads days, and says what is wrong with one."""
    return forms.CharField(
        label=_LABELS[name], required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )


# --- what was asked ---------------------------------------------------------------------------

_Form = TypeVar("_Form", bound=FilterForm)


class NothingShownError(Exception):
    """What was asked for cannot be shown: its filters are to be mended, or it would isolate a surgeon."""

    def __init__(self, form: FilterForm, status: int, reason: str = "") -> None:
        super().__init__(reason or "; ".join(problems(form)))
        self.form, self.status, self.reason = form, status, reason


@dataclass(frozen=True)
class Asked(Generic[_Form]):
    """A cohort and definition that may be shown to this person. There is no other way to one."""

    person: User
    units: QuerySet[Unit]
    form: _Form
    cohort: Cohort
    definition: FailureDefinition
    closed_on: date

    @property
    def sentence(self) -> str:
        """The cohort in words."""
        return self.cohort.sentence(self.units)

    @property
    def query(self) -> str:
        """The filters as they stand in an address, without what is as by default."""
        return urlencode(self.form.query)

    @property
    def cohort_query(self) -> str:
        """The filters and definition alone, as a name for the cohort keeps them."""
        return urlencode({**self.cohort.query(), FAILURE: self.definition.code})

    def splits(self, strata: Sequence[Stratum]) -> tuple[list[Stratum], str]:
        """Those of the strata by which this person may see the cohort split, and why not by the others."""
        return self._said(strata, isolation.splits_shown(self.person, self.cohort, self.units, strata))

    def joined_splits(self, strata: Sequence[Stratum]) -> tuple[list[Stratum], str]:
        """As `splits`, with levels taken together where each alone would be one surgeon's."""
        return self._said(strata, isolation.joined_splits(self.person, self.cohort, self.units, strata))

    @staticmethod
    def _said(strata: Sequence[Stratum], shown: list[Stratum]) -> tuple[list[Stratum], str]:
        codes = {stratum.code for stratum in shown}
        missing = get_text_list([stratum.title for stratum in strata if stratum.code not in codes], "or")
        return shown, f"Not split by {missing}. {isolation.RULE} Widen the filters." if missing else ""

    def must_split(self, *strata: Stratum) -> None:
        """Raise NothingShownError unless the cohort may be split by each of these."""
        _, reason = self.splits(strata)
        if reason:
            raise NothingShownError(self.form, 403, reason)


def asked(
    request: HttpRequest,
    units: QuerySet[Unit],
    form_of: type[_Form],
    before: str = "",
    query: Mapping[str, Any] | None = None,
) -> Asked[_Form]:
    """Read the address; raises NothingShownError when its cohort cannot or may not be shown.

    Parameters
    ----------
    units : whose figures this person may see
    form_of : the page's form
    before : what goes before the names of its filters
    query : read in place of the address
    """
    assert isinstance(request.user, User)  # noqa: S101 - nobody signed out has units
    form = form_of(request.GET if query is None else query, units, before)
    if not form.is_valid():
        raise NothingShownError(form, 400)
    if reason := isolation.refusal(request.user, form.cohort, units):
        raise NothingShownError(form, 403, reason)
    return Asked(request.user, units, form, form.cohort, form.definition, timezone.localdate())


def problems(form: forms.Form) -> list[str]:
    """Everything to be mended, each in a sentence that names its filter."""
    return [str(problem) for field in form.errors.values() for problem in field]


def page_context(asked: Asked[Any]) -> dict[str, Any]:
    """What the page of any cohort needs beside its figures."""
    return {
        "form": asked.form,
        "sentence": asked.sentence,
        "definition": asked.definition,
        "query": asked.query,
        "cohort_query": asked.cohort_query,
        "may_name": Action.NAME_COHORT in actions_of(asked.person),
    }


def not_shown(
    request: HttpRequest, template: str, refusal: NothingShownError, **context: Any
) -> HttpResponse:
    """The page with its filters and the reason in place of figures."""
    context |= {"form": refusal.form, "reason": refusal.reason, "is_refused": True}
    return render(request, template, context, status=refusal.status)


def not_given(refusal: NothingShownError) -> HttpResponse:
    """The reason alone, in place of a file."""
    return HttpResponse(str(refusal), content_type="text/plain; charset=utf-8", status=refusal.status)

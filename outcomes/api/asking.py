"""What an address asks of a cohort: the filters of the pages, checked by their own forms, refused alike."""

from collections.abc import Iterator
from typing import Any, NoReturn, TypeVar

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request

from outcomes.cohort import Cohort
from outcomes.failure import DEFINITIONS, REOPERATION
from outcomes.pages.filters import FAILURE, Asked, FilterForm, NothingShownError, asked
from outcomes.pages.survival_form import SPLIT
from outcomes.strata import STRATA
from registry.access import Action, require
from registry.api.problems import Problem, Refused
from registry.models import Unit, User

_Form = TypeVar("_Form", bound=FilterForm)

NOT_ASKED_HERE = "This address takes no '{name}'. It takes {known}. Correct the name, or leave it out."
SAID_TWICE = "'{name}' is given {times} times. Give it once."
WRONG_FILTERS = "{n} parameters to mend."


def cohort_asked(request: Request, person: User, form_of: type[_Form], *more: str) -> Asked[_Form]:
    """The cohort and definition that the address names, as this person may see them.

    `more` names parameters of the address beside those of the form.

    Raises
    ------
    PermissionDenied
        The person sees no figures.
    Refused
        400 where a parameter is wrong, unknown or given twice; 403 where the cohort would tell one surgeon's
        results.
    """
    units = require(person, Action.SEE_FIGURES)
    _refuse_unknown(request, form_of({}, units), more)
    try:
        return asked(request, units, form_of)
    except NothingShownError as refusal:
        not_shown(refusal)


def not_shown(refusal: NothingShownError) -> NoReturn:
    """Refuse as the page does that shows the reason in place of figures."""
    if refusal.status == 403:
        raise Refused("forbidden", refusal.reason) from refusal
    raise _malformed(list(_wrong(refusal.form))) from refusal


def filter_parameters(*, split: bool = True) -> list[OpenApiParameter]:
    """The parameters of every address that reads a cohort."""
    return [*_of_cohort(), _DEFINITION, *([_SPLIT] if split else [])]


def filters_of(of: Asked[Any]) -> dict[str, str]:
    """The filters that differ from the default."""
    return of.cohort.query()


def _refuse_unknown(request: Request, form: FilterForm, more: tuple[str, ...]) -> None:
    known = [name for name in (*form.fields, *more) if name not in form.HIDDEN]
    given = request.query_params
    unknown = [
        Problem(f"?{name}", NOT_ASKED_HERE.format(name=name, known=", ".join(known)), given[name])
        for name in given
        if name not in known
    ]
    twice = [
        Problem(f"?{name}", SAID_TWICE.format(name=name, times=times))
        for name in known
        if (times := len(given.getlist(name))) > 1
    ]
    if problems := [*unknown, *twice]:
        raise _malformed(problems)


def _wrong(form: FilterForm) -> Iterator[Problem]:
    for name, errors in form.errors.items():
        yield from (Problem(f"?{name}", str(words), form.data.get(name)) for words in errors)


def _malformed(problems: list[Problem]) -> Refused:
    words = problems[0].detail if len(problems) == 1 else WRONG_FILTERS.format(n=len(problems))
    return Refused("malformed", words, problems)


# --- in the document --------------------------------------------------------------------------


def _of_cohort() -> Iterator[OpenApiParameter]:
    choices = Cohort.choices(Unit.objects.none())
    for name in ("which", "unit", "since", "until", *STRATA):
        if name == "unit":
            yield OpenApiParameter(name, OpenApiTypes.STR, description="Of this unit alone, by its code.")
        elif name in choices:
            codes = list(filter(None, choices[name]))
            default = {"default": Cohort().which} if name == "which" else {}
            words = "Which repairs." if name == "which" else f"Of one level alone: {STRATA[name].title}."
            yield OpenApiParameter(name, {"type": "string", "enum": codes, **default}, description=words)
        else:
            words = "First day of operation." if name == "since" else "Last day of operation."
            yield OpenApiParameter(name, OpenApiTypes.DATE, description=words)


_DEFINITION = OpenApiParameter(
    FAILURE,
    {"type": "string", "default": REOPERATION.code, "examples": [*DEFINITIONS]},
    description="What counts as failing, by the code of a definition, as list_definition gives them.",
)
_SPLIT = OpenApiParameter(
    SPLIT,
    {"type": "string", "enum": [*STRATA]},
    description="What to split by. Left out: the vascular zone, acuity and ligament surgery, each in turn.",
)

"""A cohort's own failure beside published figures, each with its population, definition and citation."""

import re
from dataclasses import dataclass

from outcomes import wording
from outcomes.analyses.context import Context
from outcomes.analyses.likeness import Kind, kind_of, kind_printed, unlike
from outcomes.cohort import Cohort
from outcomes.estimators.cautions import FEW_AT_RISK
from outcomes.estimators.survival import Landmark, SurvivalCurve, kaplan_meier
from outcomes.failure import FailureDefinition
from outcomes.published import PublishedFigure, published
from outcomes.survival import Counted, columns_of

DAYS_PER_YEAR = 365.25

OWN = "Own failure is one less the Kaplan-Meier estimate."
BESIDE = (
    "Published figures are drawn as printed over the years they were read at, as a band where the source "
    "gives an interval or range, else as a line; own failure beside each is read in the middle of its years, "
    "or at their start where they are open. No test is made."
)
CASE_MIX = (
    "Case mix differs between any two reports: patients, tears, rehabilitation and length of follow-up. "
    "A curve above or below a published figure is no verdict on anybody."
)
RAW_SHARES = (
    "Most published figures are raw shares of those reached, so who was lost, or followed for less long, "
    "moves them; a curve allows for this."
)


@dataclass(frozen=True, slots=True)
class Beside:
    """A published figure beside the cohort.

    `number` is its number in the drawing, 0 when it is not drawn, and `why_not` then says why. `own` is the
    cohort's survival read at `own_years`, None where the figure is not drawn or too few repairs are counted.
    `same_kind` says whether it counts as failure what the definition here does.
    """

    figure: PublishedFigure
    number: int
    why_not: str
    kind: Kind
    same_kind: bool
    own_years: float | None
    own: Landmark | None

    @property
    def source(self) -> str:
        """Author and year, or journal and year where no author was given."""
        first = re.match(r"([A-Z][a-z]+) (?:[A-Z]+[,.]|et al|[A-Z]+ )", self.figure.citation)
        return f"{first.group(1) if first else self.figure.citation.split(',')[0]} {self.figure.published}"


@dataclass(frozen=True, slots=True)
class InPrintResult:
    """A cohort's failure and the published figures; `curve` is None below FEWEST_SHOWN repairs."""

    title: str
    context: Context
    curve: SurvivalCurve | None
    beside: tuple[Beside, ...]
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    references: tuple[str, ...]

    @property
    def drawn(self) -> tuple[Beside, ...]:
        """The figures drawn, in order of their numbers."""
        return tuple(one for one in self.beside if one.number)


def in_print_result(counted: Counted, context: Context, cohort: Cohort | None = None) -> InPrintResult:
    """Set a counted cohort beside every published figure of failure.

    A figure of one part of repairs, such as the medial ones, is drawn only when `cohort` is that part;
    figures of all repairs always are.
    """
    curve = kaplan_meier(**columns_of(counted.table)) if context.is_shown else None
    beside = _numbered(cohort or Cohort(), context.definition, curve)
    return InPrintResult(
        title=f"{context.definition.name}: share failed, beside published figures",
        context=context,
        curve=curve,
        beside=beside,
        cautions=_cautions(context, beside),
        methods=(OWN, *((curve.method,) if curve else ()), BESIDE),
        references=(curve.reference,) if curve else (),
    )


def _numbered(
    cohort: Cohort, definition: FailureDefinition, curve: SurvivalCurve | None
) -> tuple[Beside, ...]:
    """The drawn ones first, by number."""
    figures = [figure for figure in published() if figure.measure == "failure"]
    reasons = {figure.code: unlike(figure, cohort) for figure in figures}
    drawn = [figure for figure in figures if not reasons[figure.code]]
    numbers = {figure.code: place + 1 for place, figure in enumerate(drawn)}
    others = [figure for figure in figures if reasons[figure.code]]
    return tuple(
        _beside(figure, numbers.get(figure.code, 0), reasons[figure.code], definition, curve)
        for figure in (*drawn, *others)
    )


def _beside(
    figure: PublishedFigure,
    number: int,
    why_not: str,
    definition: FailureDefinition,
    curve: SurvivalCurve | None,
) -> Beside:
    kind, years = kind_printed(figure), _own_years(figure)
    at = curve.at(years * DAYS_PER_YEAR) if curve and number and years is not None else None
    return Beside(
        figure=figure,
        number=number,
        why_not=why_not,
        kind=kind,
        same_kind=kind is kind_of(definition),
        own_years=years,
        own=at,
    )


def _own_years(figure: PublishedFigure) -> float | None:
    if figure.from_years is None:
        return None
    return figure.from_years if figure.to_years is None else (figure.from_years + figure.to_years) / 2


def _cautions(context: Context, beside: tuple[Beside, ...]) -> tuple[str, ...]:
    drawn = [one for one in beside if one.number]
    otherwise = sum(not one.same_kind for one in drawn)
    count = (
        "counts failure otherwise than here, and is"
        if otherwise == 1
        else "count failure otherwise than here, and are"
    )
    competing = wording.counted(context.ended_otherwise, "repair")
    said = (
        CASE_MIX,
        f"{otherwise} of the {len(drawn)} drawn {count} dashed." if otherwise else "",
        RAW_SHARES,
        f"Death, knee replacement or another tear ended {competing}: one less the curve is the failure to be "
        "expected if nothing else ended a repair. Read the risk itself from competing events."
        if context.ended_otherwise
        else "",
        *context.cautions,
        f"The curve fades where fewer than {FEW_AT_RISK} repairs remain at risk.",
    )
    return tuple(filter(None, said))

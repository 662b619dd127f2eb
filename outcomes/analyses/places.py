"""Where on the meniscus repairs fail: repairs and failures by meniscus, step along it and rim zone."""

from dataclasses import dataclass

from django.db.models import Count, Q, QuerySet

from outcomes import wording
from outcomes.analyses.context import Context
from outcomes.estimators import rates
from outcomes.estimators.cautions import MEMBERS_OF_A_CLUSTER, clustered
from outcomes.estimators.rates import Proportion, proportion
from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.failure import FailureDefinition
from outcomes.results import FEWEST_SHOWN
from outcomes.timeline import FAILED, entered_late, timeline
from registry.models import Repair
from registry.tear_map import MENISCI, STEPS, ZONES, Meniscus, words

BY_DAYS = LANDMARK_DAYS[2]

RULE = (
    "Share failed: those that failed within two years, of those followed for two years or failed before. "
    f"It is given where at least {FEWEST_SHOWN} of them lie in a place; elsewhere the counts alone."
)
FOLLOWED_ONLY = (
    "Repairs followed for less than two years without failure are in no share. A repair that failed is never "
    "among them, so where many are not followed a share comes out too high."
)
MANY_PLACES = "With up to 72 places some stand out by chance alone."
RIM_WIDTH = (
    "Surgeons agree least on how far from the rim a tear lies (rim width kappa 0.25, Anderson et al. "
    "AJSM 2011;39:926-32): neighbouring zones are not told apart surely."
)
_PLACE = ("tear__meniscus", "tear__map_step", "tear__rim_zone")


@dataclass(frozen=True, slots=True)
class Place:
    """A place of the tear map with its repairs; `zone` None where the rim zone is not recorded.

    `failures` counts all of them; `by_two_years` is the share that failed within two years of those followed
    so long or failed before.
    """

    meniscus: Meniscus
    step: int
    zone: int | None
    n: int
    failures: int
    by_two_years: Proportion

    @property
    def is_shown(self) -> bool:
        """Whether its share may be shown; a place of fewer is told by counts alone."""
        return self.by_two_years.n >= FEWEST_SHOWN

    @property
    def words(self) -> str:
        """The place as it is said aloud."""
        return words(self.meniscus, self.step, self.zone)


@dataclass(frozen=True, slots=True)
class PlacesResult:
    """The places of a cohort's repairs, front to back, medial first, rim first.

    `not_placed` repairs, `not_placed_failures` of them failed, have no step on the map; `left_out` more came
    later from old notes.
    """

    title: str
    context: Context
    places: tuple[Place, ...]
    not_placed: int
    not_placed_failures: int
    left_out: int
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    references: tuple[str, ...]

    @property
    def n(self) -> int:
        """Repairs with a step on the map."""
        return sum(place.n for place in self.places)

    @property
    def failures(self) -> int:
        """Failures of repairs with a step on the map."""
        return sum(place.failures for place in self.places)


def places_result(repairs: QuerySet[Repair], definition: FailureDefinition, context: Context) -> PlacesResult:
    """Count the repairs by place, in one query. `context` is of the same repairs."""
    counts = _counts(repairs, definition)
    at = {place: counted for place, counted in counts.items() if place[1] is not None}
    nowhere = [counted for place, counted in counts.items() if place[1] is None]
    return PlacesResult(
        title=f"{definition.name}: where on the meniscus repairs failed",
        context=context,
        places=tuple(
            _place(meniscus, step, zone, at[meniscus, step, zone])
            for meniscus in MENISCI
            for step in STEPS
            for zone in (*ZONES, None)
            if (meniscus, step, zone) in at
        ),
        not_placed=sum(n for n, *_ in nowhere),
        not_placed_failures=sum(failures for _, failures, *_ in nowhere),
        left_out=context.entered_late + context.left_out,
        cautions=_cautions(context),
        methods=(RULE, rates.PROPORTION_METHOD),
        references=(rates.PROPORTION_REFERENCE,),
    )


def _counts(
    repairs: QuerySet[Repair], definition: FailureDefinition
) -> dict[tuple[str, int | None, int | None], tuple[int, int, int, int]]:
    """By meniscus, step and zone: repairs, failures, failures by two years, and these or followed so long."""
    early = Q(outcome=FAILED, duration_days__lte=BY_DAYS)
    grouped = (
        timeline(repairs.exclude(entered_late()), definition)
        .values_list(*_PLACE)
        .annotate(
            n=Count("pk"),
            failures=Count("pk", filter=Q(outcome=FAILED)),
            early=Count("pk", filter=early),
            followed=Count("pk", filter=early | Q(duration_days__gte=BY_DAYS)),
        )
    )
    return {(meniscus, step, zone): tuple(counted) for meniscus, step, zone, *counted in grouped}


def _place(meniscus: Meniscus, step: int, zone: int | None, counted: tuple[int, int, int, int]) -> Place:
    n, failures, early, followed = counted
    return Place(meniscus, step, zone, n, failures, proportion(early, followed))


def _cautions(context: Context) -> tuple[str, ...]:
    left_out = context.entered_late + context.left_out
    late = wording.counted(left_out, "repair")
    several = clustered(MEMBERS_OF_A_CLUSTER + bool(context.repeated_patients))
    said = (
        MANY_PLACES,
        RIM_WIDTH,
        FOLLOWED_ONLY,
        f"Left out: {late} entered later from old notes, which tell of some outcomes more than of others."
        if left_out
        else "",
        several.sentence if several else "",
        *(caution for caution in context.cautions if caution != context.late_entries),
    )
    return tuple(filter(None, said))

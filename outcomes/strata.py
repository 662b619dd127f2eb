"""How a cohort is split: each stratum a database expression with ordered, labelled levels."""

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from django.db.models import Case, CharField, F, Q, Value, When
from django.db.models.expressions import Combinable
from django.db.models.lookups import In, LessThan, LessThanOrEqual

from registry.database import Days, WholeYears
from registry.models.procedures import LIGAMENTS
from registry.rules.acuity import ACUTE_MAX_DAYS, SUBACUTE_MAX_DAYS
from registry.rules.indications import PREREQUISITES
from registry.vocabulary import (
    Acuity,
    Answer,
    Augmentation,
    LigamentState,
    LigamentSurgery,
    Meniscus,
    Pattern,
    Smoking,
    Staging,
    Technique,
    VascularZone,
)

UNKNOWN = "unknown"
SEVERAL = "several"
# Levels taken together where each alone would be one surgeon's.
TOGETHER = "together"
# First year of age of each band after the youngest; 40 is the cut of Poland et al. Arthroscopy 2017.
AGE_BANDS = (20, 30, 40)


@dataclass(frozen=True, slots=True)
class Stratum:
    """One way to split repairs. `levels` maps code to label in reading order; UNKNOWN is never tested.

    `said` puts a level into the sentence of a cohort; `is_ordered` says that the levels rise or fall.
    """

    code: str
    title: str
    expression: Combinable = field(hash=False)
    levels: dict[str, str] = field(hash=False)
    said: str
    is_ordered: bool = False
    note: str = ""
    caution: str = ""


_PROCEDURE = "tear__procedure__"


def _case(*whens: When, default: Any) -> Case:
    return Case(*whens, default=default, output_field=CharField())


def _any_ligament(state: LigamentState) -> Q:
    condition = Q()
    for ligament in LIGAMENTS:
        condition |= Q(**{f"{_PROCEDURE}{ligament}": state})
    return condition


def _zone() -> Case:
    return _case(When(tear__vascular_zone="", then=Value(UNKNOWN)), default=F("tear__vascular_zone"))


def _acuity() -> Case:
    """registry.rules.acuity in the database; a test holds the two together."""
    delay: Any = Days(F(f"{_PROCEDURE}operated_on"), F(f"{_PROCEDURE}injured_on"))
    return _case(
        When(Q(**{f"{_PROCEDURE}injured_on__isnull": True}), then=Value(Acuity.UNKNOWN)),
        When(LessThanOrEqual(delay, ACUTE_MAX_DAYS), then=Value(Acuity.ACUTE)),
        When(LessThanOrEqual(delay, SUBACUTE_MAX_DAYS), then=Value(Acuity.SUBACUTE)),
        default=Value(Acuity.CHRONIC),
    )


def _ligament_surgery() -> Case:
    """registry.rules.staging in the database; a test holds the two together."""
    staged_later = _any_ligament(LigamentState.STAGED) | Q(**{f"{_PROCEDURE}staging": Staging.REPAIR_FIRST})
    staged_earlier = Q(**{f"{_PROCEDURE}staging": Staging.LIGAMENT_FIRST})
    return _case(
        When(_any_ligament(LigamentState.TREATED_HERE), then=Value(LigamentSurgery.SAME)),
        When(staged_later, then=Value(LigamentSurgery.LATER)),
        When(staged_earlier, then=Value(LigamentSurgery.EARLIER)),
        default=Value(LigamentSurgery.NONE),
    )


def _technique() -> Case:
    """The only technique used, or SEVERAL."""
    alone = [
        When(**{other.value: other is technique for other in Technique}, then=Value(technique))
        for technique in Technique
    ]
    return _case(*alone, default=Value(SEVERAL))


def _indications() -> Case:
    """registry.rules.indications in the database; a test holds the two together."""
    answers = [f"{_PROCEDURE}{name}" for name in PREREQUISITES]
    one_not_met = Q(*((answer, Answer.NO) for answer in answers), _connector=Q.OR)
    all_met = Q(*((answer, Answer.YES) for answer in answers))
    return _case(
        When(one_not_met, then=Value("outside")),
        When(all_met, then=Value("within")),
        default=Value(UNKNOWN),
    )


def _age() -> Case:
    """registry.rules.acuity.whole_years in bands; a test holds the two together."""
    years: Any = WholeYears(F(f"{_PROCEDURE}operated_on"), F(f"{_PROCEDURE}knee__patient__born_on"))
    bands = [When(LessThan(years, first), then=Value(_band(first))) for first in AGE_BANDS]
    return _case(*bands, default=Value(_band(None)))


def _band(first_above: int | None) -> str:
    return f"under_{first_above}" if first_above else f"from_{AGE_BANDS[-1]}"


def _age_levels() -> dict[str, str]:
    youngest, *_ = AGE_BANDS
    between = {_band(high): f"{low} to {high - 1}" for low, high in pairwise(AGE_BANDS)}
    return {_band(youngest): f"Under {youngest}", **between, _band(None): f"{AGE_BANDS[-1]} and over"}


ZONE = Stratum(
    code="zone",
    title="vascular zone",
    expression=_zone(),
    levels={**dict(VascularZone.choices), UNKNOWN: "Not recorded"},
    said="in vascular zone {}",
    is_ordered=True,
    caution=(
        "Surgeons agree least on how far from the rim a tear lies (rim width kappa 0.25, Anderson et al. "
        "AJSM 2011;39:926-32), so a split by zone is the least certain of the three."
    ),
)
ACUITY = Stratum(
    code="acuity",
    title="acuity",
    expression=_acuity(),
    levels=dict(Acuity.choices),
    said="with acuity {}",
    is_ordered=True,
    note=(
        f"Acute: operated within {ACUTE_MAX_DAYS} days of injury; subacute: within {SUBACUTE_MAX_DAYS}; "
        "else chronic."
    ),
    caution="Published answers on acuity change with the cut points; these are printed above.",
)
LIGAMENT_SURGERY = Stratum(
    code="ligament",
    title="concomitant ligament surgery",
    expression=_ligament_surgery(),
    levels=dict(LigamentSurgery.choices),
    said="with ligament surgery: {}",
)
MENISCUS = Stratum("meniscus", "meniscus", F("tear__meniscus"), dict(Meniscus.choices), "of the {} meniscus")
PATTERN = Stratum("pattern", "tear pattern", F("tear__pattern"), dict(Pattern.choices), "of {} tears")
TECHNIQUE = Stratum(
    code="technique",
    title="technique",
    expression=_technique(),
    levels={**dict(Technique.choices), SEVERAL: "More than one technique"},
    said="by technique: {}",
)
AUGMENTATION = Stratum(
    code="augmentation",
    title="biological augmentation",
    expression=F("augmentation"),
    levels=dict(Augmentation.choices),
    said="with augmentation: {}",
    caution=(
        "Whether augmentation helps is an open question: pooled studies disagree, and it is not given at "
        "random, so curves with and without it compare different tears."
    ),
)
INDICATIONS = Stratum(
    code="indications",
    title="the six prerequisites",
    expression=_indications(),
    levels={"within": "Within usual indications", "outside": "Outside them", UNKNOWN: "Not assessable"},
    said="by the six prerequisites: {}",
    note=f"The six: {', '.join(PREREQUISITES.values())}. One not met is outside, whatever else is unknown.",
    caution="For audit: local protocol and the operating surgeon decide whom to repair.",
)
AGE = Stratum(
    code="age",
    title="age at the operation",
    expression=_age(),
    levels=_age_levels(),
    said="of patients aged {}",
    is_ordered=True,
)
SMOKING = Stratum(
    code="smoking",
    title="smoking",
    expression=_case(
        When(**{f"{_PROCEDURE}smoking": ""}, then=Value(UNKNOWN)), default=F(f"{_PROCEDURE}smoking")
    ),
    levels={**dict(Smoking.choices), UNKNOWN: "Not recorded"},
    said="with smoking: {}",
)


def unsplit(note: str) -> Stratum:
    """All repairs as one level, where a cohort may be split by nothing; `note` says why."""
    return Stratum("all", "nothing", Value("all"), {"all": "All repairs"}, said="", note=note)


def taken_together(stratum: Stratum, codes: Collection[str]) -> Stratum:
    """The same stratum with some of its levels as one, the last; their order then says nothing."""
    labels = [label for code, label in stratum.levels.items() if code in codes]
    note = f"Taken together, because each alone would be one surgeon's: {', '.join(labels)}."
    others: Any = In(stratum.expression, list(codes))
    return replace(
        stratum,
        expression=_case(When(others, then=Value(TOGETHER)), default=stratum.expression),
        levels={
            **{code: label for code, label in stratum.levels.items() if code not in codes},
            TOGETHER: "Others together",
        },
        note=f"{stratum.note} {note}".strip(),
        is_ordered=False,
    )


def _by_code(*strata: Stratum) -> dict[str, Stratum]:
    return {stratum.code: stratum for stratum in strata}


MAIN_STRATA = _by_code(ZONE, ACUITY, LIGAMENT_SURGERY)
STRATA = MAIN_STRATA | _by_code(MENISCUS, PATTERN, TECHNIQUE, AUGMENTATION, INDICATIONS, AGE, SMOKING)

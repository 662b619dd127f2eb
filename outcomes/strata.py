"""How a cohort is split: each stratum a database expression with ordered, labelled levels."""

from dataclasses import dataclass, field
from typing import Any

from django.db.models import Case, CharField, F, Q, Value, When
from django.db.models.expressions import Combinable
from django.db.models.lookups import LessThanOrEqual

from registry.database import Days
from registry.models.procedures import LIGAMENTS
from registry.rules.acuity import ACUTE_MAX_DAYS, SUBACUTE_MAX_DAYS
from registry.vocabulary import Acuity, LigamentState, LigamentSurgery, Staging, VascularZone

UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Stratum:
    """One way to split repairs. `levels` maps code to label in reading order; UNKNOWN is never tested."""

    code: str
    title: str
    expression: Combinable = field(hash=False)
    levels: dict[str, str] = field(hash=False)
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


ZONE = Stratum(
    code="zone",
    title="vascular zone",
    expression=_zone(),
    levels={**dict(VascularZone.choices), UNKNOWN: "Not recorded"},
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
)
STRATA: dict[str, Stratum] = {stratum.code: stratum for stratum in (ZONE, ACUITY, LIGAMENT_SURGERY)}

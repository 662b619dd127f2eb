"""Soft rules: values that each may stand but rarely stand together. They ask and never refuse.

For audit only: whoever operated answers, and an unknown value ("", None or missing) asks nothing.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, Generic, NamedTuple, TypeVar

from registry.rules.healing import LookClass
from registry.rules.indications import PREREQUISITES, USUAL_VARUS_LIMIT_DEG
from registry.tear_map import RIM_WIDTHS, STEPS, location_of

# Field name -> value, as the record stores it.
Row = Mapping[str, Any]

COMMON_PRACTICE = "common practice, no source"
ISAKOS = "Anderson et al. AJSM 2011;39:926-32"

# Two all-inside passes usually lie 2-3 mm apart, and 30 ml of blood make one dose of plasma.
SPACING_MM = (1, 10)
PRP_BLOOD_ML = (10, 60)

_REPAIRED = ("repaired", "part_repaired")
_LIGAMENTS = {
    "acl": "ACL",
    "pcl": "PCL",
    "mcl": "MCL",
    "lcl": "LCL",
    "posterolateral": "posterolateral corner",
    "anterolateral": "anterolateral ligament",
}


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to confirm or correct; `tear` counts from 1, None is the operation as a whole.

    No two questions of one operation share code and tear.
    """

    code: str
    text: str
    source: str
    tear: int | None = None


def tear_questions(tear: Row, number: int | None = None) -> list[Question]:
    """What to ask about one tear as it was found; `number` is its place in the operation."""
    return _asked(_TEAR_RULES, tear, number)


def repair_questions(repair: Row, tear: int | None = None) -> list[Question]:
    """What to ask about how one tear was repaired, its passes apart."""
    return _asked(_REPAIR_RULES, repair, tear)


def pass_questions(passes: Sequence[Row], tear: int | None = None) -> list[Question]:
    """What to ask about the suture passes of one repair."""
    return _asked(_PASS_RULES, passes, tear)


def operation_questions(
    operation: Row, tears: Sequence[Row], varus_limit_deg: Decimal | float = USUAL_VARUS_LIMIT_DEG
) -> list[Question]:
    """What to ask about an operation and its tears together; the limit of varus is the unit's own."""
    return _asked(_OPERATION_RULES, _Operation(operation, tears, varus_limit_deg))


def implant_questions(implants: Sequence[Row], operated_on: date | None) -> list[Question]:
    """What to ask about the implants of one operation."""
    return _asked(_IMPLANT_RULES, _Implants(implants, operated_on))


def look_questions(finding: Row, healing_class: LookClass | None, tear: int | None = None) -> list[Question]:
    """What to ask about one tear seen again, given the class its unit's limits make of it."""
    return _asked(_LOOK_RULES, _Look(finding, healing_class), tear)


class _Operation(NamedTuple):
    row: Row
    tears: Sequence[Row]
    varus_limit_deg: Decimal | float

    @property
    def repaired(self) -> list[Row]:
        """The repaired tears; none while it is unknown of any tear whether it was repaired."""
        if not all(tear.get("treatment") for tear in self.tears):
            return []
        return [tear for tear in self.tears if tear["treatment"] in _REPAIRED]

    def repairs_all(self, field: str, *values: object) -> bool:
        """Whether every repaired tear, of at least one, has one of the values."""
        repaired = self.repaired
        return bool(repaired) and all(tear.get(field) in values for tear in repaired)

    @property
    def ramps(self) -> str:
        """The ramp lesions by number, empty without any."""
        numbers = [str(number) for number, tear in enumerate(self.tears, 1) if tear.get("pattern") == "ramp"]
        return f"tear{'s' * (len(numbers) > 1)} {_listed(numbers)}" if numbers else ""


class _Implants(NamedTuple):
    rows: Sequence[Row]
    operated_on: date | None


class _Look(NamedTuple):
    finding: Row
    healing_class: LookClass | None


# --- a tear ------------------------------------------------------------------------------------


def _zone_1_white_white(tear: Row) -> str | None:
    if (tear.get("rim_zone"), tear.get("vascular_zone")) != (1, "WW"):
        return None
    return (
        f"The rim is zone 1 ({RIM_WIDTHS[1]}), yet the vascular zone is white-white (WW): are both as seen?"
    )


def _zone_3_red_red(tear: Row) -> str | None:
    if (tear.get("rim_zone"), tear.get("vascular_zone")) != (3, "RR"):
        return None
    return f"The rim is zone 3 ({RIM_WIDTHS[3]}), yet the vascular zone is red-red (RR): are both as seen?"


def _bucket_handle_in_place(tear: Row) -> str | None:
    if tear.get("pattern") != "bucket_handle" or tear.get("displaced") is not False:
        return None
    return (
        "The pattern is bucket-handle, which is displaced, yet displaced is answered no: was it displaced, "
        "or is the pattern longitudinal?"
    )


def _map_step_elsewhere(tear: Row) -> str | None:
    step, recorded = tear.get("map_step"), tear.get("radial_location")
    if step is None or step not in STEPS or not recorded:
        return None
    mapped = location_of(step)
    if mapped == recorded:
        return None
    return (
        f"Step {step} of the tear map is {_place(mapped)}, yet the location is {_place(recorded)}: "
        "which is right?"
    )


# --- its repair --------------------------------------------------------------------------------


def _blood_unusual(repair: Row) -> str | None:
    drawn = _measured(repair, "prp_blood_ml")
    if drawn is None or _within(drawn, PRP_BLOOD_ML):
        return None
    low, high = PRP_BLOOD_ML
    return f"Blood drawn is {_number(drawn)} ml, outside {low} to {high} ml (usual 30 ml): is it right?"


def _spacing_unusual(passes: Sequence[Row]) -> str | None:
    spacings = (_measured(each, "spacing_mm") for each in passes)
    odd = [_number(each) for each in spacings if each is not None and not _within(each, SPACING_MM)]
    if not odd:
        return None
    low, high = SPACING_MM
    return f"Spacing of {_listed(odd)} mm lies outside {low} to {high} mm (usual 2 to 3 mm): is it right?"


# --- the operation -----------------------------------------------------------------------------


def _aligned_beyond_limit(operation: _Operation) -> str | None:
    angle, limit = _measured(operation.row, "hka_deg"), operation.varus_limit_deg
    if operation.row.get("alignment_acceptable") != "yes" or angle is None or angle >= -limit:
        return None
    return _contradicted(
        operation,
        "alignment_acceptable",
        f"the hip-knee-ankle angle is {_angle(angle)}, beyond the limit of {_number(limit)} deg varus",
    )


def _misaligned_within_limit(operation: _Operation) -> str | None:
    angle, limit = _measured(operation.row, "hka_deg"), operation.varus_limit_deg
    # A limit of varus does not say how much valgus is acceptable, so valgus asks no further than that.
    if operation.row.get("alignment_acceptable") != "no" or angle is None or not -limit <= angle <= limit:
        return None
    return _contradicted(
        operation,
        "alignment_acceptable",
        f"the hip-knee-ankle angle is {_angle(angle)}, within the limit of {_number(limit)} deg",
    )


def _stable_with_torn_ligament(operation: _Operation) -> str | None:
    states = {name: operation.row.get(name) for name in _LIGAMENTS}
    torn = [f"{_LIGAMENTS[name]} {state}" for name, state in states.items() if state in ("left", "staged")]
    if operation.row.get("knee_stable") != "yes" or not torn:
        return None
    return _contradicted(
        operation, "knee_stable", f"a torn ligament was not treated here ({', '.join(torn)})"
    )


def _vascular_yet_white(operation: _Operation) -> str | None:
    if operation.row.get("vascular_zone_met") != "yes" or not operation.repairs_all("vascular_zone", "WW"):
        return None
    return _contradicted(operation, "vascular_zone_met", "every repaired tear is white-white (WW)")


def _not_vascular_yet_red(operation: _Operation) -> str | None:
    if operation.row.get("vascular_zone_met") != "no":
        return None
    if not operation.repairs_all("vascular_zone", "RR", "RW"):
        return None
    zones = _listed(sorted({tear["vascular_zone"] for tear in operation.repaired}))
    return _contradicted(
        operation, "vascular_zone_met", f"the repaired tears are {zones}, which have vessels"
    )


def _unstable_yet_stable(operation: _Operation) -> str | None:
    if operation.row.get("unstable_on_probing") != "yes" or not operation.repairs_all("unstable", False):
        return None
    return _contradicted(operation, "unstable_on_probing", "every repaired tear is stable on probing")


def _ramp_with_intact_acl(operation: _Operation) -> str | None:
    if operation.row.get("acl") != "intact" or not operation.ramps:
        return None
    return f"A ramp lesion ({operation.ramps}) was found, yet the ACL is intact: are both right?"


def _ramp_not_looked_for(operation: _Operation) -> str | None:
    if operation.row.get("posteromedial_look") != "not_looked" or not operation.ramps:
        return None
    return (
        f"A ramp lesion ({operation.ramps}) was found, yet the posteromedial compartment was not looked at: "
        "how was it seen?"
    )


def _staged_without_ligament(operation: _Operation) -> str | None:
    states = [operation.row.get(name) for name in _LIGAMENTS]
    if operation.row.get("staging") != "repair_first" or not all(states) or "staged" in states:
        return None
    return "Staging is repair now, ligament later, yet no ligament's treatment is staged: which is to come?"


def _ligament_staged_in_single(operation: _Operation) -> str | None:
    staged = [label for name, label in _LIGAMENTS.items() if operation.row.get(name) == "staged"]
    if operation.row.get("staging") != "single" or not staged:
        return None
    return f"Treatment of the {_listed(staged)} is staged, yet staging is single operation: which is right?"


# --- implants, and the second look -------------------------------------------------------------


def _implant_expired(implants: _Implants) -> str | None:
    rows, operated_on = implants
    if not operated_on:
        return None
    expired = [
        _implant_words(row) for row in rows if row.get("expires_on") and row["expires_on"] < operated_on
    ]
    if not expired:
        return None
    return f"Was an implant used that had expired before the operation of {operated_on}: {_listed(expired)}?"


def _healed_yet_unstable(look: _Look) -> str | None:
    finding, healing_class = look
    if healing_class != "healed" or finding.get("stable_on_probing") is not False:
        return None
    thickness = _measured(finding, "healed_thickness_percent")
    length = _measured(finding, "healed_length_percent")
    if thickness is None or length is None:
        return None
    return (
        f"Healed over {_number(thickness)} % of the thickness and {_number(length)} % of the length, "
        "yet not stable on probing: are both as seen?"
    )


# --- the tables: one entry a rule --------------------------------------------------------------

Subject = TypeVar("Subject")


@dataclass(frozen=True, slots=True)
class _Rule(Generic[Subject]):
    """What to ask, if anything, of the subject; the code is what an answer is stored under."""

    code: str
    ask: Callable[[Subject], str | None]
    source: str = COMMON_PRACTICE


_TEAR_RULES = (
    _Rule("zone_1_white_white", _zone_1_white_white),
    _Rule("zone_3_red_red", _zone_3_red_red),
    _Rule("bucket_handle_in_place", _bucket_handle_in_place, ISAKOS),
    _Rule("map_step_elsewhere", _map_step_elsewhere),
)
_REPAIR_RULES = (_Rule("blood_unusual", _blood_unusual),)
_PASS_RULES = (_Rule("spacing_unusual", _spacing_unusual),)
_OPERATION_RULES = (
    _Rule("aligned_beyond_limit", _aligned_beyond_limit),
    _Rule("misaligned_within_limit", _misaligned_within_limit),
    _Rule("stable_with_torn_ligament", _stable_with_torn_ligament),
    _Rule("vascular_yet_white", _vascular_yet_white),
    _Rule("not_vascular_yet_red", _not_vascular_yet_red),
    _Rule("unstable_yet_stable", _unstable_yet_stable),
    _Rule("ramp_with_intact_acl", _ramp_with_intact_acl),
    _Rule("ramp_not_looked_for", _ramp_not_looked_for),
    _Rule("staged_without_ligament", _staged_without_ligament),
    _Rule("ligament_staged_in_single", _ligament_staged_in_single),
)
_IMPLANT_RULES = (_Rule("implant_expired", _implant_expired),)
_LOOK_RULES = (_Rule("healed_yet_unstable", _healed_yet_unstable),)


def _asked(rules: Iterable[_Rule[Subject]], subject: Subject, tear: int | None = None) -> list[Question]:
    texts = ((rule, rule.ask(subject)) for rule in rules)
    return [Question(rule.code, text, rule.source, tear) for rule, text in texts if text]


def _measured(row: Row, field: str) -> Decimal | float | None:
    value: Decimal | float | str | None = row.get(field)
    return None if value is None or isinstance(value, str) else value


def _within(value: Decimal | float, limits: tuple[float, float]) -> bool:
    low, high = limits
    return low <= value <= high


# --- words -------------------------------------------------------------------------------------


def _contradicted(operation: _Operation, prerequisite: str, fact: str) -> str:
    asked, answer = PREREQUISITES[prerequisite].capitalize(), operation.row[prerequisite]
    return f"'{asked}' is answered {answer}, yet {fact}: which is right?"


def _implant_words(row: Row) -> str:
    known = (f"{field} {row[field]}" for field in ("lot", "serial") if row.get(field))
    return f"{next(known, 'one without lot')} (expiry {row['expires_on']})"


def _place(location: str) -> str:
    return "the root" if location == "root" else f"the {location} third"


def _angle(hka_deg: Decimal | float) -> str:
    side = "varus" if hka_deg < 0 else "valgus" if hka_deg > 0 else ""
    return f"{_number(abs(float(hka_deg)))} deg {side}".strip()


def _number(value: Decimal | float) -> str:
    return f"{float(value):g}"


def _listed(words: Sequence[str]) -> str:
    """Words as a sentence counts them up: a, b and c."""
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last

"""The columns that may leave, table by table, and nothing else: no identity, no date, no free text.

Left out on purpose beside those: what would tell a quasi-identifier again after it was generalised (states of
ligaments, grafts, osteotomies, the exact BMI, the days from injury), and what nobody asked for (ASA class,
anaesthetic, tourniquet, complications, implants by label).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from outcomes.release.frozen import LOOKS, REOPERATIONS, REPAIRS, SCORES, VISITS
from outcomes.release.hierarchies import ATTRIBUTES, GIVEN_UP
from outcomes.strata import INDICATIONS, UNKNOWN
from outcomes.timeline import CENSORED, COMPETING, FAILED
from registry.models.repairs import ACCOMPANYING
from registry.rules.indications import PREREQUISITES
from registry.scoring import INSTRUMENTS, Instrument
from registry.vocabulary import (
    Acuity,
    Answer,
    Augmentation,
    Depth,
    Effusion,
    HealingClass,
    LookReason,
    Meniscus,
    OtherSurgery,
    Pattern,
    PosteromedialLook,
    RadialLocation,
    RampType,
    ReoperationAction,
    RimZone,
    RootType,
    SportReturn,
    TearSite,
    Technique,
    TibialFixation,
    TimePoint,
    Tissue,
    Treatment,
    VascularZone,
)

# Types of a column. CODES are several codes joined by JOINED_BY.
TEXT, CODE, CODES, INTEGER, NUMBER, BOOLEAN = "text", "code", "codes", "integer", "number", "boolean"
JOINED_BY = "+"
YEAR = "year"
# What somebody who knows a patient may know too; unit and surgeon beside these when they are asked for.
QUASI_IDENTIFIERS = ("age", "sex", "side", YEAR, "cause", "ligament", "bmi", "smoking", "activity")
# Whom these forms are asked of tells an age that may have been given up: children answer them.
INSTRUMENTS_KEPT_BACK = ("pedi_ikdc",)

_DERIVED, _RECORD, _PRACTICE = "derived, key of the project", "the record", "common practice, no source"
_TEAR = "ISAKOS, Anderson et al. AJSM 2011;39:926-32"
_CLASSES = "outcomes.release.hierarchies"


@dataclass(frozen=True, slots=True)
class Column:
    """One released column, as the codebook tells it.

    `allowed` are its codes, `missing` not among them; `missing` is what stands where nothing was recorded,
    the empty string for an empty cell. A column with unit "" has none.
    """

    name: str
    label: str
    type: str
    unit: str
    allowed: tuple[str, ...]
    missing: str
    source: str


def _pseudonym(name: str, of: str) -> Column:
    return Column(name, f"Pseudonym of {of}", TEXT, "", (), "", _DERIVED)


def _code(name: str, label: str, codes: Iterable[object], source: str, missing: str = UNKNOWN) -> Column:
    allowed = tuple(str(code) for code in codes if code != missing)
    return Column(name, label, CODE, "", allowed, missing, source)


def _codes(name: str, label: str, codes: Iterable[object], source: str) -> Column:
    told = f"{label}, joined by {JOINED_BY}; empty where none"
    return Column(name, told, CODES, "", tuple(map(str, codes)), "", source)


def _integer(name: str, label: str, unit: str = "", source: str = _RECORD) -> Column:
    return Column(name, label, INTEGER, unit, (), "", source)


def _flag(name: str, label: str, source: str) -> Column:
    return Column(name, label, INTEGER, "", ("0", "1"), "", source)


def _number(name: str, label: str, unit: str, source: str = _RECORD) -> Column:
    return Column(name, label, NUMBER, unit, (), "", source)


def _yes_no(name: str, label: str) -> Column:
    return Column(name, label, BOOLEAN, "", (), "", _RECORD)


def _each(forms: Mapping[str, Instrument], part: str) -> list[str]:
    """The codes of one part of every form, each once: its versions or its scales."""
    codes = [getattr(each, "code", each) for form in forms.values() for each in getattr(form, part)]
    return list(dict.fromkeys(codes))


def _attribute(code: str) -> Column:
    """A quasi-identifier, with the codes of every level that it may stand at."""
    attribute = ATTRIBUTES[code]
    levels = [code for step in attribute.steps for code in step.into.values()]
    codes = dict.fromkeys([*(attribute.finest or ()), *levels, GIVEN_UP])
    return _code(code, attribute.title, codes, _CLASSES)


_OPERATION = (_pseudonym("operation", "the operation"), _pseudonym("patient", "the patient"))
_KEYS = (
    _pseudonym("repair", "the repair"),
    _pseudonym("revises", "the earlier repair whose return this is, where that is in the table; else empty"),
    _pseudonym("patient", "the patient; cluster of repairs"),
    _pseudonym("knee", "the knee"),
    _pseudonym("operation", "the operation; several repairs may share one"),
    _pseudonym("unit", "the unit; empty unless asked for"),
    _pseudonym("surgeon", "the lead surgeon; empty unless asked for"),
)
_ATTRIBUTES = (
    *(_attribute(code) for code in ("age", "sex", "side")),
    # Its bands depend on the years there are, so its codes are not listed here.
    Column(YEAR, "Calendar year of the operation, in bands", CODE, "", (), UNKNOWN, _CLASSES),
    *(_attribute(code) for code in ("cause", "ligament", "bmi", "smoking", "activity")),
)
_TORN = (
    _code("meniscus", "Meniscus", Meniscus.values, _TEAR),
    _code("pattern", "Main pattern of the tear", Pattern.values, f"{_TEAR}, plus root and ramp"),
    _codes(
        "accompanying",
        "What accompanies the main pattern",
        [name.removeprefix("with_") for name in ACCOMPANYING],
        _TEAR,
    ),
    _code("depth", "Depth of the tear", Depth.values, _TEAR),
    _code("radial_location", "Where the tear lies, by thirds", RadialLocation.values, _TEAR),
    _integer("length_mm", "Length of the tear", "mm"),
    _code("rim_zone", "Rim width: 1 under 3 mm, 2 from 3 to under 5 mm, 3 from 5 mm", RimZone.values, _TEAR),
    _code("zone", "Vascular zone as the surgeon saw it", VascularZone.values, _PRACTICE),
    _yes_no("before_popliteal_hiatus", "In front of the popliteal hiatus (lateral tears)"),
    _code("tissue", "Quality of the tissue", Tissue.values, _TEAR),
    _yes_no("displaced", "Displaced"),
    _yes_no("unstable", "Unstable on probing"),
    _code("root_type", "Type of a root tear", RootType.values, "LaPrade et al. AJSM 2015;43:363-9", ""),
    _code(
        "ramp_type",
        "Type of a ramp lesion",
        RampType.values,
        "Thaunat et al. Arthrosc Tech 2016;5:e871-5",
        "",
    ),
    _code("acuity", "Acuity, from the days between injury and operation", Acuity.values, "acuity rule"),
    *(
        _code(name, f"Prerequisite: {words}", Answer.values, _PRACTICE)
        for name, words in PREREQUISITES.items()
    ),
    _code("indications", "The six prerequisites together", INDICATIONS.levels, _PRACTICE),
    *(
        _integer(f"cartilage_{place}", f"Cartilage {place}, ICRS grade 0 to 4")
        for place in ("medial", "lateral", "patellofemoral")
    ),
    _code("posteromedial_look", "How a ramp lesion was looked for", PosteromedialLook.values, _PRACTICE),
)
_REPAIRED = (
    _code("treatment", "What was done to the tear", Treatment.values, _PRACTICE),
    _codes("technique", "Techniques used", Technique.values, _PRACTICE),
    _integer("sutures", "Suture passes of the repair"),
    _yes_no("rasped", "Rasped"),
    _yes_no("trephined", "Trephined"),
    _yes_no("shaved", "Shaved"),
    _integer("tunnels", "Tibial tunnels"),
    _code("tibial_fixation", "Tibial fixation", TibialFixation.values, _PRACTICE, ""),
    _code("augmentation", "Biological augmentation", Augmentation.values, _PRACTICE),
    _yes_no("stable_at_end", "Stable when probed at the end"),
    _flag("revision", "Repair of a tear repaired before", _RECORD),
)
_FOLLOWED = (
    _integer(
        "at_risk_from",
        "Day from the operation on which it was entered later from old notes, and is at risk from; else 0",
        "days",
        "the record and the unit's limit",
    ),
    _integer("days", "Days from the operation to the outcome", "days"),
    _code("outcome", "What ended observation", (FAILED, CENSORED, *COMPETING), "the definition of failure"),
    _flag("failed", "Whether the outcome is failed", "derived from outcome"),
)
_VISITS = (
    *_OPERATION,
    _integer("days", "Days from the operation to the visit", "days"),
    _code("time_point", "Planned time of review", TimePoint.values, _PRACTICE),
    _code("effusion", "Effusion", Effusion.values, _PRACTICE),
    _yes_no("joint_line_tenderness", "Joint-line tenderness"),
    _yes_no("mcmurray", "McMurray positive"),
    _integer("flexion_deg", "Flexion", "deg"),
    _integer("extension_deg", "Extension deficit", "deg"),
    _integer("lachman", "Lachman grade, 0 to 3"),
    _integer("pivot", "Pivot-shift grade, 0 to 3"),
    _code("sport_return", "Returned to sport", SportReturn.values, _PRACTICE),
    _yes_no("employed_as_before", "Employed as before"),
)
_SCORED = {code: form for code, form in INSTRUMENTS.items() if code not in INSTRUMENTS_KEPT_BACK}
_SCORES = (
    *_OPERATION,
    _integer("days", "Days from the operation to the answer; negative before it", "days"),
    _code("instrument", "Form", _SCORED, "registry.scoring"),
    _code("version", "Version of the rule that scored it", _each(_SCORED, "rules"), "registry.scoring"),
    _code("scale", "Scale of the form", _each(_SCORED, "scales"), "registry.scoring"),
    _number("value", "Value of the scale, unrounded", "points", "the rule of the form"),
)
_LOOKS = (
    _pseudonym("repair", "the repair seen"),
    _pseudonym("patient", "the patient"),
    _integer("days", "Days from the operation to the second look", "days"),
    _code("reason", "Why it was looked at", LookReason.values, _PRACTICE),
    _integer("healed_thickness_percent", "Healed share of the thickness", "%"),
    _integer("healed_length_percent", "Healed share of the length", "%"),
    _yes_no("stable_on_probing", "Stable on probing"),
    _yes_no("sutures_covered", "Sutures covered by tissue"),
    _code("action", "What was done", ReoperationAction.values, _PRACTICE),
    _code(
        "class", "Healing, by the unit's limits", HealingClass.values, "Henning et al. CORR 1990;252:64-72"
    ),
)
_REOPERATIONS = (
    *_OPERATION,
    _pseudonym("repair", "the repair operated on; empty where it was none of the released ones"),
    _integer("days", "Days from the operation to the reoperation", "days"),
    _yes_no("planned", "Planned at the index operation"),
    _code("other_surgery", "Other surgery", OtherSurgery.values, _PRACTICE),
    _code("site", "Site on the repair's meniscus; empty without repair", TearSite.values, _PRACTICE, ""),
    _code(
        "action", "What was done to the repair; empty without one", ReoperationAction.values, _PRACTICE, ""
    ),
)

COLUMNS: dict[str, tuple[Column, ...]] = {
    REPAIRS: _KEYS + _ATTRIBUTES + _TORN + _REPAIRED + _FOLLOWED,
    VISITS: _VISITS,
    SCORES: _SCORES,
    LOOKS: _LOOKS,
    REOPERATIONS: _REOPERATIONS,
}


def names(table: str) -> list[str]:
    """The names of a table's columns, in their order."""
    return [column.name for column in COLUMNS[table]]

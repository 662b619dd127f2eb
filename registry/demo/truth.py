"""What is true in the invented scenario, read whole from fixtures/demo/truth.json. Pure.

Every entry of the file is a field here and every field an entry there: a missing or unknown one is refused.
Entries named "note" or ending in "_note" are for the reader of the file.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, Self, get_args, get_origin, get_type_hints

from registry.demo.shapes import Days, Shares, Spread
from registry.demo.truth_of_reviews import Answering, Forms, Reports, Waiting

TRUTH_FILE = Path(__file__).resolve().parents[2] / "fixtures" / "demo" / "truth.json"

ByCode = Mapping[str, float]
SharesBy = Mapping[str, Shares]


@dataclass(frozen=True, slots=True)
class Step:
    """Baseline hazard from a day after operation on."""

    from_day: int
    per_year: float


@dataclass(frozen=True, slots=True)
class HazardRatios:
    vascular_zone: ByCode
    acuity: ByCode
    ligament_surgery: ByCode
    augmentation: ByCode
    revision: float
    surgeon: ByCode


@dataclass(frozen=True, slots=True)
class Failure:
    baseline_per_year: tuple[Step, ...]
    hazard_ratio: HazardRatios
    balanced_random_numbers: bool
    treated_by: Shares
    revision_treated_by: Shares
    look_before_removal: float


@dataclass(frozen=True, slots=True)
class Calendar:
    operations_by_year: Shares
    entered_late_from_year: Mapping[int, float]
    late_entry_days: Days
    entry_lag_days: Shares
    entry_hour: Shares


@dataclass(frozen=True, slots=True)
class People:
    unit: Shares
    lead_surgeon: SharesBy
    sex: Shares
    age_band: Shares
    birth_year_only: float
    second_knee: float
    second_knee_after_days: Days
    second_operation: float
    second_operation_after_days: Days
    research_permission: Shares
    permission_asked_days_before: Days
    permission_withdrawn_after_days: Days


@dataclass(frozen=True, slots=True)
class Leaving:
    never_came_back: float
    per_year: Mapping[int, ByCode]
    attempts: Days
    given_up_after_days: Days
    death_per_year: Mapping[int, float]
    replacement_per_year: Mapping[int, float]
    replacement_kind: Shares


@dataclass(frozen=True, slots=True)
class LigamentTruth:
    acl: Shares
    other_when_acl_treated: SharesBy
    other_when_acl_torn: SharesBy
    stage_days: Spread
    stage_done: float
    stage_delay_days: Spread
    posteromedial_look_from_year: Mapping[int, Shares]
    ramp_present: float
    ramp_found: ByCode
    ramp_type: SharesBy
    graft: Shares


@dataclass(frozen=True, slots=True)
class Injury:
    acuity: SharesBy
    delay_days: Mapping[str, Days]
    date_unknown: float
    date_to_the_month: ByCode
    cause: SharesBy


@dataclass(frozen=True, slots=True)
class BackgroundTruth:
    bmi: Spread
    bmi_missing: float
    smoking: Shares
    asa: Shares
    preinjury_tegner: Mapping[int, Spread]
    tegner_missing: float
    anaesthetic: Shares
    tourniquet_min: Spread
    tourniquet_ligament_extra_min: int
    tourniquet_missing: float
    supervision: Shares
    assisted: float
    hka_measured: float
    hka_deg: Spread
    hka_varus_limit_deg: float
    cartilage_missing: float
    cartilage: Mapping[int, Shares]
    cartilage_accepted_below: int
    prerequisite_not_assessed: ByCode


@dataclass(frozen=True, slots=True)
class TearTruth:
    both_menisci_repaired: ByCode
    meniscus: SharesBy
    pattern: SharesBy
    accompanying: SharesBy
    vascular_zone: SharesBy
    vascular_zone_unrecorded: float
    rim_zone: SharesBy
    rim_width_measured: float
    rim_width_mm: Mapping[str, Spread]
    depth: SharesBy
    radial_location: SharesBy
    map_step: SharesBy
    map_step_missing: float
    length_mm: Mapping[str, Spread]
    length_missing: float
    before_hiatus: float
    hiatus_missing: float
    tissue: SharesBy
    displaced: ByCode
    unstable: ByCode
    unstable_missing: float
    root_type: Shares
    root_distance_measured: float
    root_distance_mm: Mapping[str, Spread]
    treatment: SharesBy
    unrepaired_tear: float
    unrepaired_pattern: Shares
    unrepaired_treatment: Shares


@dataclass(frozen=True, slots=True)
class RepairTruth:
    technique: SharesBy
    rasped: float
    trephined: float
    shaved: float
    preparation_missing: float
    tunnels: Shares
    tibial_fixation: Shares
    augmentation: SharesBy
    prp_blood_ml: Spread
    prp_blood_missing: float
    stable_at_end: float
    stable_at_end_missing: float


@dataclass(frozen=True, slots=True)
class SameSitting:
    proximal_tibial_osteotomy: float
    distal_femoral_osteotomy: float
    valgus_limit_deg: float
    cartilage_repair: float
    notch_microfracture: ByCode
    loose_body_removal: float
    other_procedure: float


@dataclass(frozen=True, slots=True)
class Passes:
    missing: float
    number: Mapping[str, Spread]
    configuration: SharesBy
    surface: SharesBy
    both_surfaces: float
    both_surfaces_from: int
    suture_size: SharesBy
    spacing_mm: Mapping[str, Spread]
    spacing_missing: float


@dataclass(frozen=True, slots=True)
class Implants:
    device: SharesBy
    anchors: Shares
    fixation: Mapping[str, str]
    missing: float
    lot_days: int
    lot_keeps_days: int
    kept_too_long: float
    serial: float


@dataclass(frozen=True, slots=True)
class RehabilitationTruth:
    planned: float
    actual: float
    full_weight_bearing_weeks: SharesBy
    brace_weeks: SharesBy
    flexion_limit_deg: SharesBy
    flexion_limit_weeks: SharesBy
    sport_return_months: SharesBy
    weeks_off: Spread
    months_off: Spread
    not_back_in_sport: float


@dataclass(frozen=True, slots=True)
class Readings:
    share: float
    after_days: Days
    same_as_first: ByCode
    by_chance: SharesBy


@dataclass(frozen=True, slots=True)
class Keeping:
    unsigned: float
    signed_after_days: Shares
    answers: SharesBy
    bmi_mistyped: float
    length_mistyped: float
    mistyped_reason: SharesBy
    visit_entered_twice: float
    entered_twice_reason: Shares


@dataclass(frozen=True, slots=True)
class FollowUp:
    kept_by_unit: ByCode
    attended: ByCode
    visit_jitter: Spread
    visit_before_failure: float
    visit_before_failure_days: Days
    yearly_check: float
    yearly_check_before_close_days: int
    yearly_check_jitter_days: Days
    yearly_check_from_day: int
    yearly_check_source: Shares
    last_contact_source: Shares


@dataclass(frozen=True, slots=True)
class Signs:
    first_weeks_days: int
    sore_knee: float
    effusion: SharesBy
    joint_line_tenderness: ByCode
    mcmurray: ByCode
    sign_missing: float
    flexion_deg: Mapping[int, Spread]
    extension_deg: Spread
    motion_missing: float
    lachman: SharesBy
    pivot: SharesBy
    sport_return: Mapping[int, Shares]
    employed_as_before: Mapping[int, float]
    employment_missing: float


@dataclass(frozen=True, slots=True)
class Findings:
    routine_imaging: float
    routine_imaging_after_days: Days
    imaging_before_failure: float
    imaging_before_failure_days: Days
    modality: Shares
    imaged: SharesBy
    signal_to_surface: SharesBy
    fluid_in_repair: ByCode
    fluid_missing: float
    extrusion_mm: Mapping[str, Spread]
    extrusion_missing: float
    protocol_look: float
    protocol_look_after_days: Days
    symptom_look: float
    symptom_look_after_days: Days
    looked_at: SharesBy
    healed_thickness_percent: Mapping[str, Spread]
    healed_length_percent: Mapping[str, Spread]
    thickness_missing: float
    length_missing: float
    stable_on_probing: ByCode
    sutures_covered: ByCode
    vessels_seen: ByCode
    detail_missing: float


@dataclass(frozen=True, slots=True)
class Scores:
    baseline_answered: float
    baseline_days_before: Days
    answered: ByCode
    jitter_days: Days
    trouble: Mapping[str, Spread]
    recovering_until_day: int
    item_noise: Spread
    half_answered: float
    reoperated_asked: Shares


@dataclass(frozen=True, slots=True)
class LaterSurgery:
    new_tear_removed_per_year: float
    new_tear_action: Shares


@dataclass(frozen=True, slots=True)
class Complications:
    share: float
    kind: Shares
    noticed_after_days: Mapping[str, Days]
    severity: SharesBy
    found_by_screening: ByCode
    operation: Mapping[str, str]
    operation_after_days: Days
    resolved: float
    resolved_after_days: Days


@dataclass(frozen=True, slots=True)
class Truth:
    """The whole scenario."""

    about: str
    event: str
    failure: Failure
    calendar: Calendar
    people: People
    leaving: Leaving
    ligaments: LigamentTruth
    injury: Injury
    background: BackgroundTruth
    tears: TearTruth
    repairs: RepairTruth
    same_sitting: SameSitting
    passes: Passes
    implants: Implants
    rehabilitation: RehabilitationTruth
    readings: Readings
    keeping: Keeping
    follow_up: FollowUp
    signs: Signs
    findings: Findings
    scores: Scores
    forms: Forms
    answering: Answering
    reports: Reports
    waiting: Waiting
    later_surgery: LaterSurgery
    complications: Complications

    @classmethod
    def read(cls, path: Path = TRUTH_FILE) -> Self:
        """The truth as the file states it; raises ValueError naming the entry that does not fit."""
        truth: Self = _built(cls, json.loads(path.read_text()), path.name)
        return truth


def _built(kind: Any, value: Any, name: str) -> Any:
    """`value`, as parsed from JSON, in the shape of `kind`."""
    if kind is Shares:
        return Shares.of(value, name)
    if is_dataclass(kind):
        return _section(kind, value, name)
    if get_origin(kind) is tuple:
        return tuple(_built(get_args(kind)[0], item, name) for item in value)
    if get_origin(kind) is Mapping:
        key_kind, value_kind = get_args(kind)
        return {key_kind(key): _built(value_kind, item, f"{name}.{key}") for key, item in value.items()}
    return float(value) if kind is float else value


def _section(kind: Any, value: Mapping[str, Any], name: str) -> Any:
    given = {key: item for key, item in value.items() if not (key == "note" or key.endswith("_note"))}
    hints = _hints(kind)
    if given.keys() != hints.keys():
        odd = ", ".join(sorted(given.keys() ^ hints.keys()))
        raise ValueError(f"{name}: missing or unknown: {odd}. Give each entry its name and no other.")
    return kind(**{key: _built(hints[key], item, f"{name}.{key}") for key, item in given.items()})


@cache
def _hints(kind: Any) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {field.name: hints[field.name] for field in fields(kind)}

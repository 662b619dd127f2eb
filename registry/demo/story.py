"""One patient's story as plain values: what the record will hold, under the models' names. Pure.

Tears are numbered within their knee; findings, reoperations and revisions name a tear by that number.
"""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from registry.demo.review_stories import BookedStory, GivenUpStory, LinkStory, ReportStory, ScoreStory
from registry.rules.staging import LigamentSurgeryCode, ligament_surgery


class Part:
    """Base of a group of fields that share their row with others."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class IdentityStory:
    hospital_number: str
    given_names: str
    family_name: str
    email: str
    phone: str


@dataclass(frozen=True, slots=True)
class Latent:
    """What is true of a repair and never recorded."""

    vascular_zone: str
    acuity: str
    ligament_surgery: str
    hazard_ratio: float
    failure_day: int


@dataclass(frozen=True, slots=True)
class PassStory:
    # Which technique they belong to; the record knows that of the repair only.
    technique: str
    configuration: str
    surface: str
    number: int
    suture_size: str
    spacing_mm: Decimal | None


@dataclass(frozen=True, slots=True)
class RepairStory:
    latent: Latent
    all_inside: bool
    inside_out: bool
    outside_in: bool
    pull_out: bool
    suture_anchor: bool
    suture_hook: bool
    rasped: bool | None
    trephined: bool | None
    shaved: bool | None
    tunnels: int | None
    tibial_fixation: str
    augmentation: str
    prp_blood_ml: int | None
    stable_at_end: bool | None
    passes: tuple[PassStory, ...]


@dataclass(frozen=True, slots=True)
class TearStory:
    number: int
    uuid: UUID
    meniscus: str
    pattern: str
    with_delamination: bool
    with_longitudinal: bool
    with_horizontal: bool
    with_radial: bool
    with_flap: bool
    depth: str
    radial_location: str
    length_mm: int | None
    rim_zone: int | None
    rim_width_mm: Decimal | None
    vascular_zone: str
    before_popliteal_hiatus: bool | None
    tissue: str
    displaced: bool | None
    unstable: bool | None
    root_type: str
    root_distance_mm: Decimal | None
    ramp_type: str
    map_step: int | None
    treatment: str
    revises: int | None
    repair: RepairStory | None


@dataclass(frozen=True, slots=True)
class Ligaments(Part):
    """The ligament table of one operation, and how it was staged."""

    acl: str = "intact"
    pcl: str = "intact"
    mcl: str = "intact"
    lcl: str = "intact"
    posterolateral: str = "intact"
    anterolateral: str = "intact"
    staging: str = "single"
    ligament_planned_on: date | None = None

    @property
    def surgery(self) -> LigamentSurgeryCode:
        states = (self.acl, self.pcl, self.mcl, self.lcl, self.posterolateral, self.anterolateral)
        return ligament_surgery(states, self.staging)

    @property
    def acl_torn(self) -> bool:
        return self.acl in ("treated_here", "staged", "left")


@dataclass(frozen=True, slots=True)
class InjuryStory(Part):
    injured_on: date | None
    injury_date_precision: str
    injury_cause: str


@dataclass(frozen=True, slots=True)
class Background(Part):
    bmi: Decimal | None
    smoking: str
    asa: int | None
    preinjury_tegner: int | None
    anaesthetic: str
    tourniquet_min: int | None


@dataclass(frozen=True, slots=True)
class Measured(Part):
    hka_deg: Decimal | None
    cartilage_medial: int | None
    cartilage_lateral: int | None
    cartilage_patellofemoral: int | None


@dataclass(frozen=True, slots=True)
class Prerequisites(Part):
    vascular_zone_met: str
    unstable_on_probing: str
    body_intact: str
    knee_stable: str
    alignment_acceptable: str
    cartilage_acceptable: str


@dataclass(frozen=True, slots=True)
class SameSitting(Part):
    """What else was done in one operation."""

    graft: str
    proximal_tibial_osteotomy: bool
    distal_femoral_osteotomy: bool
    cartilage_repair: bool
    notch_microfracture: bool
    loose_body_removal: bool
    other_procedure: bool


@dataclass(frozen=True, slots=True)
class ImplantStory:
    device_identifier: str
    lot: str
    serial: str
    expires_on: date
    count: int


@dataclass(frozen=True, slots=True)
class RehabilitationStory:
    course: str
    full_weight_bearing_weeks: int
    brace_weeks: int
    flexion_limit_deg: int | None
    flexion_limit_weeks: int | None
    sport_return_months: int | None


@dataclass(frozen=True, slots=True)
class SoftAnswerStory:
    """What was answered to a soft rule, about one tear or the whole entry."""

    tear: int | None
    code: str
    answer: str


@dataclass(frozen=True, slots=True)
class ReadingStory:
    """A second surgeon's classification of a tear; `reader` is that surgeon's code."""

    uuid: UUID
    recorded_at: datetime
    tear: int
    reader: str
    pattern: str
    depth: str
    radial_location: str
    rim_zone: int
    vascular_zone: str
    tissue: str


@dataclass(frozen=True, slots=True)
class Slip:
    """A value mistyped at first and corrected since: of a tear, or of the operation itself."""

    tear: int | None
    field: str
    typed: Any
    reason: str


@dataclass(frozen=True, slots=True)
class NoteStory(Part):
    """What completes an operation note once the operation is told."""

    signed_at: datetime | None = None
    implants: tuple[ImplantStory, ...] = ()
    rehabilitation: tuple[RehabilitationStory, ...] = ()
    soft_answers: tuple[SoftAnswerStory, ...] = ()
    readings: tuple[ReadingStory, ...] = ()
    slips: tuple[Slip, ...] = ()


@dataclass(frozen=True, slots=True)
class Team:
    """Who operated, by surgeon code."""

    lead_surgeon: str
    first_assistant: str | None
    repaired_by: str | None


@dataclass(frozen=True, slots=True)
class ProcedureStory:
    uuid: UUID
    recorded_at: datetime
    unit: str
    operated_on: date
    team: Team
    supervision: str
    injury: InjuryStory
    background: Background
    measured: Measured
    prerequisites: Prerequisites
    ligaments: Ligaments
    posteromedial_look: str
    same_sitting: SameSitting
    tears: tuple[TearStory, ...]
    note: NoteStory = NoteStory()


@dataclass(frozen=True, slots=True)
class VisitStory:
    uuid: UUID
    recorded_at: datetime
    seen_on: date
    time_point: str
    effusion: str
    joint_line_tenderness: bool | None
    mcmurray: bool | None
    flexion_deg: int | None
    extension_deg: int | None
    lachman: int | None
    pivot: int | None
    sport_return: str
    employed_as_before: bool | None


@dataclass(frozen=True, slots=True)
class DuplicateStory:
    """A visit entered a second time, and why that entry was withdrawn."""

    visit: VisitStory
    reason: str


@dataclass(frozen=True, slots=True)
class ImagingFindingStory:
    tear: int
    signal_to_surface: str
    fluid_in_repair: bool | None
    extrusion_mm: Decimal | None
    healed: str


@dataclass(frozen=True, slots=True)
class ImagingStory:
    uuid: UUID
    recorded_at: datetime
    imaged_on: date
    modality: str
    findings: tuple[ImagingFindingStory, ...]


@dataclass(frozen=True, slots=True)
class LookFindingStory:
    tear: int
    healed_thickness_percent: int | None
    healed_length_percent: int | None
    stable_on_probing: bool | None
    sutures_covered: bool | None
    vessels_seen: bool | None
    action: str


@dataclass(frozen=True, slots=True)
class LookStory:
    uuid: UUID
    recorded_at: datetime
    looked_on: date
    reason: str
    findings: tuple[LookFindingStory, ...]
    soft_answers: tuple[SoftAnswerStory, ...]


@dataclass(frozen=True, slots=True)
class OnTearStory:
    tear: int
    site: str
    action: str


@dataclass(frozen=True, slots=True)
class ReoperationStory:
    uuid: UUID
    recorded_at: datetime
    operated_on: date
    planned: bool
    other_surgery: str
    on_tears: tuple[OnTearStory, ...]


@dataclass(frozen=True, slots=True)
class ComplicationStory:
    uuid: UUID
    recorded_at: datetime
    noticed_on: date
    kind: str
    severity: str
    found_by: str
    resolved_on: date | None


@dataclass(frozen=True, slots=True)
class ContactStory:
    uuid: UUID
    recorded_at: datetime
    contacted_on: date
    source: str


@dataclass(frozen=True, slots=True)
class KneeStory:
    uuid: UUID
    side: str
    procedures: tuple[ProcedureStory, ...]
    visits: tuple[VisitStory, ...]
    duplicates: tuple[DuplicateStory, ...]
    imaging: tuple[ImagingStory, ...]
    looks: tuple[LookStory, ...]
    reoperations: tuple[ReoperationStory, ...]
    complications: tuple[ComplicationStory, ...]
    contacts: tuple[ContactStory, ...]
    scores: tuple[ScoreStory, ...]
    reports: tuple[ReportStory, ...]
    given_up: tuple[GivenUpStory, ...]
    booked: tuple[BookedStory, ...]
    links: tuple[LinkStory, ...]


@dataclass(frozen=True, slots=True)
class EndStory:
    uuid: UUID
    recorded_at: datetime
    ended_on: date
    reason: str
    attempts: int | None


@dataclass(frozen=True, slots=True)
class PatientStory:
    number: int
    uuid: UUID
    unit: str
    sex: str
    born_on: date
    born_on_is_exact: bool
    died_on: date | None
    research_permission: str
    research_permission_on: date | None
    language: str
    reminders: str
    identity: IdentityStory
    end_of_follow_up: EndStory | None
    knees: tuple[KneeStory, ...]

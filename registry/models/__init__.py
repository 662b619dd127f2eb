"""The record's tables, one subject a file."""

from registry.models.access_keys import AccessKey, Creation
from registry.models.followup import (
    Complication,
    Contact,
    EndOfFollowUp,
    Imaging,
    ImagingFinding,
    Reoperation,
    ReoperationOnTear,
    SecondLook,
    SecondLookFinding,
    Visit,
)
from registry.models.governance import DataVersion, Draft, IdentityView, LotLookUp, Membership
from registry.models.intake import Intake, IntakeMemory, IntakeRow
from registry.models.keeping import Correction, Entry, Kept
from registry.models.links import KnockCount, Message, PatientLink, Wording
from registry.models.people import (
    GradePeriod,
    Identity,
    Knee,
    Patient,
    PlannedTimePoint,
    Surgeon,
    Unit,
    User,
)
from registry.models.procedures import Implant, IndexProcedure, Rehabilitation
from registry.models.repairs import Repair, SuturePass, Tear, TearReading
from registry.models.reports import BookedVisit, GivenUpReview, PatientReport
from registry.models.rights import Erasure, Opening, OpeningKind
from registry.models.scores import ScoreResponse
from registry.models.signing_in import (
    AccountEvent,
    AccountEventKind,
    BrowserSession,
    Invitation,
    RecoveryCode,
    SecondFactor,
)
from registry.models.soft_answers import SoftAnswer

__all__ = [
    "AccessKey",
    "AccountEvent",
    "AccountEventKind",
    "BookedVisit",
    "BrowserSession",
    "Complication",
    "Contact",
    "Correction",
    "Creation",
    "DataVersion",
    "Draft",
    "EndOfFollowUp",
    "Entry",
    "Erasure",
    "GivenUpReview",
    "GradePeriod",
    "Identity",
    "IdentityView",
    "Imaging",
    "ImagingFinding",
    "Implant",
    "IndexProcedure",
    "Intake",
    "IntakeMemory",
    "IntakeRow",
    "Invitation",
    "Kept",
    "Knee",
    "KnockCount",
    "LotLookUp",
    "Membership",
    "Message",
    "Opening",
    "OpeningKind",
    "Patient",
    "PatientLink",
    "PatientReport",
    "PlannedTimePoint",
    "RecoveryCode",
    "Rehabilitation",
    "Reoperation",
    "ReoperationOnTear",
    "Repair",
    "ScoreResponse",
    "SecondFactor",
    "SecondLook",
    "SecondLookFinding",
    "SoftAnswer",
    "Surgeon",
    "SuturePass",
    "Tear",
    "TearReading",
    "Unit",
    "User",
    "Visit",
    "Wording",
]

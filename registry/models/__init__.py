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
from registry.models.scores import ScoreResponse
from registry.models.soft_answers import SoftAnswer

__all__ = [
    "AccessKey",
    "BookedVisit",
    "Complication",
    "Contact",
    "Correction",
    "Creation",
    "DataVersion",
    "Draft",
    "EndOfFollowUp",
    "Entry",
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
    "Kept",
    "Knee",
    "KnockCount",
    "LotLookUp",
    "Membership",
    "Message",
    "Patient",
    "PatientLink",
    "PatientReport",
    "PlannedTimePoint",
    "Rehabilitation",
    "Reoperation",
    "ReoperationOnTear",
    "Repair",
    "ScoreResponse",
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

"""The record's tables, one subject a file."""

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
from registry.models.governance import IdentityView, Membership
from registry.models.people import Identity, Knee, Patient, Surgeon, Unit, User
from registry.models.procedures import IndexProcedure
from registry.models.repairs import Repair, Tear
from registry.models.scores import ScoreResponse

__all__ = [
    "Complication",
    "Contact",
    "EndOfFollowUp",
    "Identity",
    "IdentityView",
    "Imaging",
    "ImagingFinding",
    "IndexProcedure",
    "Knee",
    "Membership",
    "Patient",
    "Reoperation",
    "ReoperationOnTear",
    "Repair",
    "ScoreResponse",
    "SecondLook",
    "SecondLookFinding",
    "Surgeon",
    "Tear",
    "Unit",
    "User",
    "Visit",
]

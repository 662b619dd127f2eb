"""Bodies as the document shows them. Everything in them is invented."""

from typing import Any

_KNEE = "5f0c9d0e-6f0b-4d53-9a3e-0a5a2f7e9b11"
_TEAR = "0d9f3c5a-1b7e-4a43-8b57-5d1f0f6f2c22"
_PATIENT = "9b1a7c44-2f60-4f0e-8c4b-6e2d1c0a3d33"

PATIENT: dict[str, Any] = {
    "unit": "northmere",
    "hospital_number": "NM 0042",
    "sex": "female",
    "born_on": "1999-12-31",
}
OPERATION: dict[str, Any] = {
    "patient": _PATIENT,
    "side": "right",
    "operated_on": "2024-05-02",
    "injured_on": "2024-04-20",
    "lead_surgeon": "oak",
    "acl": "intact",
    "bmi": 24.5,
    "tears": [
        {
            "meniscus": "medial",
            "pattern": "bucket_handle",
            "vascular_zone": "RW",
            "length_mm": 22,
            "treatment": "repaired",
            "repair": {
                "all_inside": True,
                "passes": [{"number": 4, "configuration": "vertical", "suture_size": "2-0"}],
            },
        }
    ],
    "planned_rehabilitation": {"full_weight_bearing_weeks": 4, "sport_return_months": 6},
}
VISIT: dict[str, Any] = {"knee": _KNEE, "seen_on": "2024-08-01", "effusion": "none", "mcmurray": False}
SECOND_LOOK: dict[str, Any] = {
    "knee": _KNEE,
    "looked_on": "2025-01-15",
    "reason": "symptoms",
    "findings": [{"tear": _TEAR, "healed_thickness_percent": 95, "healed_length_percent": 100}],
}
IMAGING: dict[str, Any] = {
    "knee": _KNEE,
    "imaged_on": "2024-11-04",
    "modality": "mri",
    "findings": [{"tear": _TEAR, "healed": "healed"}],
}
REOPERATION: dict[str, Any] = {
    "knee": _KNEE,
    "operated_on": "2025-06-10",
    "findings": [{"tear": _TEAR, "action": "partial_removal", "site": "same"}],
}
COMPLICATION: dict[str, Any] = {
    "knee": _KNEE,
    "noticed_on": "2024-05-12",
    "kind": "superficial_infection",
    "severity": "I",
    "found_by": "symptoms",
}
CONTACT: dict[str, Any] = {"knee": _KNEE, "contacted_on": "2025-05-02", "source": "phone"}
END: dict[str, Any] = {"patient": _PATIENT, "ended_on": "2025-09-01", "reason": "moved"}
SCORE: dict[str, Any] = {
    "knee": _KNEE,
    "answered_on": "2025-05-02",
    "instrument": "sane",
    "items": {"percent": 85},
}

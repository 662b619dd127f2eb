"""How the record's rows read on its pages: label and text of what is recorded, nothing of what is not."""

from datetime import date

from django.db.models import Model
from django.utils.formats import date_format
from django.utils.text import capfirst

from registry.models import Repair, Tear

Facts = list[tuple[str, str]]

_FOUND = (
    "depth",
    "radial_location",
    "length_mm",
    "rim_zone",
    "rim_width_mm",
    "vascular_zone",
    "before_popliteal_hiatus",
    "tissue",
    "displaced",
    "unstable",
    "root_type",
    "root_distance_mm",
    "ramp_type",
    "treatment",
)
_REPAIRED = (
    "rasped",
    "trephined",
    "shaved",
    "tunnels",
    "tibial_fixation",
    "augmentation",
    "prp_blood_ml",
    "stable_at_end",
)


def facts(row: Model, *names: str) -> Facts:
    """Label and text of each named field that is recorded."""
    told = ((str(capfirst(row._meta.get_field(name).verbose_name)), _shown(row, name)) for name in names)  # type: ignore[union-attr]
    return [(label, text) for label, text in told if text]


def tear_facts(tear: Tear) -> Facts:
    """What was found and what was done about it."""
    accompanied = [("Accompanied", ", ".join(tear.accompanied_by))] if tear.accompanied_by else []
    repair = tear.standing_repair
    return [*accompanied, *facts(tear, *_FOUND), *(_repair_facts(repair) if repair else [])]


def tear_name(number: int, tear: Tear) -> str:
    """A tear as the pages of its knee call it."""
    return f"Tear {number}: {tear}"


def _repair_facts(repair: Repair) -> Facts:
    techniques = ", ".join(technique.label for technique in repair.techniques)
    return [("Technique", techniques), *facts(repair, *_REPAIRED)]


def _shown(row: Model, name: str) -> str:
    value = getattr(row, name)
    if value is None or value == "":
        return ""
    if row._meta.get_field(name).choices:  # type: ignore[union-attr]
        return str(getattr(row, f"get_{name}_display")())
    if isinstance(value, bool):
        return "Yes" if value else "No"
    return date_format(value) if isinstance(value, date) else str(value)

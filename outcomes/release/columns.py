"""The columns that may leave, and nothing else: identities, dates and free text are not among them."""

from collections.abc import Iterable
from dataclasses import dataclass

from outcomes.strata import MAIN_STRATA, UNKNOWN
from outcomes.timeline import CENSORED, COMPETING, FAILED
from registry.vocabulary import Augmentation, Meniscus, Pattern, Technique


@dataclass(frozen=True, slots=True)
class Column:
    """One released column, as the codebook tells it."""

    name: str
    label: str
    type: str
    allowed: str
    source: str


def _codes(codes: Iterable[str]) -> str:
    return " ".join(codes)


_STRATA = {code: _codes(stratum.levels) for code, stratum in MAIN_STRATA.items()}

COLUMNS = (
    Column(
        "repair", "Pseudonym of the repair", "text", "26 letters and digits", "derived, key of the project"
    ),
    Column(
        "patient",
        "Pseudonym of the patient; cluster of repairs",
        "text",
        "26 letters and digits",
        "derived, key of the project",
    ),
    Column(
        "surgeon",
        "Pseudonym of the lead surgeon",
        "text",
        "8 letters and digits",
        "derived, key of the project",
    ),
    Column("unit", "Pseudonym of the unit", "text", "8 letters and digits", "derived, key of the project"),
    Column(
        "meniscus", "Meniscus", "code", _codes(Meniscus.values), "ISAKOS, Anderson et al. AJSM 2011;39:926-32"
    ),
    Column(
        "pattern", "Main pattern of the tear", "code", _codes(Pattern.values), "ISAKOS, plus root and ramp"
    ),
    Column("zone", "Vascular zone as the surgeon saw it", "code", _STRATA["zone"], "common practice"),
    Column(
        "acuity",
        "Acuity, from the days between injury and operation",
        "code",
        _STRATA["acuity"],
        "registry.rules.acuity",
    ),
    Column("ligament", "Concomitant ligament surgery", "code", _STRATA["ligament"], "registry.rules.staging"),
    Column("technique", "Techniques used, joined by +", "codes", _codes(Technique.values), "common practice"),
    Column("augmentation", "Biological augmentation", "code", _codes(Augmentation.values), "common practice"),
    Column("revision", "Repair of a tear repaired before", "0/1", "0 1", "the record"),
    Column("entered_late", "Entered later from old notes", "0/1", "0 1", "the unit's limit"),
    Column("days", "Days from operation to outcome", "days", "0 or more", "the record"),
    Column(
        "outcome",
        "What ended observation",
        "code",
        _codes((FAILED, CENSORED, *COMPETING)),
        "the failure definition in the manifest",
    ),
    Column("failed", "Whether outcome is failed", "0/1", "0 1", "derived from outcome"),
)
NAMES = tuple(column.name for column in COLUMNS)
MISSING_CODES = (UNKNOWN,)

# What somebody who knows a patient might know too. Age, sex, side, year, cause of injury, BMI, smoking and
# activity are quasi-identifiers as well and are not released at all.
QUASI_IDENTIFIERS = ("unit", "surgeon", "ligament")
# A class holds at least so many patients, and at least what its unit asks for.
SMALLEST_CLASS = 5
MOST_SUPPRESSED = 0.05

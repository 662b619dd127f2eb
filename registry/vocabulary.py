"""Every coded list of the record, each beside the standard or paper that defines it.

A code is what the database stores and a release carries; its label is what a screen shows.
"Common practice" marks a fact of the trade that has no published source.
"""

from django.db.models import IntegerChoices, TextChoices


class Sex(TextChoices):
    FEMALE = "female", "Female"
    MALE = "male", "Male"
    OTHER = "other", "Other"


class Side(TextChoices):
    LEFT = "left", "Left"
    RIGHT = "right", "Right"


class ResearchPermission(TextChoices):
    NOT_ASKED = "not_asked", "Not asked"
    GIVEN = "given", "Given"
    REFUSED = "refused", "Refused"
    WITHDRAWN = "withdrawn", "Withdrawn"


class Role(TextChoices):
    SURGEON = "surgeon", "Surgeon"
    CLINICIAN = "clinician", "Follow-up clinician"
    AUDIT_LEAD = "audit_lead", "Audit lead"
    COORDINATOR = "coordinator", "Research coordinator"
    ADMINISTRATOR = "administrator", "Administrator"


class CorrectionKind(TextChoices):
    ADDED = "added", "Added later"
    CORRECTED = "corrected", "Corrected"
    SIGNED = "signed", "Signed"
    WITHDRAWN = "withdrawn", "Withdrawn"
    REINSTATED = "reinstated", "Reinstated"


class Grade(TextChoices):
    """Grade of a surgeon at a time. Common practice."""

    RESIDENT = "resident", "Resident"
    FELLOW = "fellow", "Fellow"
    SPECIALIST = "specialist", "Specialist"
    CONSULTANT = "consultant", "Consultant"


# --- Index procedure -------------------------------------------------------------------------


class DatePrecision(TextChoices):
    DAY = "day", "To the day"
    MONTH = "month", "To the month"
    UNKNOWN = "unknown", "Unknown"


class InjuryCause(TextChoices):
    PIVOTING_SPORT = "pivoting_sport", "Pivoting sport"
    OTHER_SPORT = "other_sport", "Other sport"
    DAILY_LIVING = "daily_living", "Daily living"
    TRAFFIC = "traffic", "Traffic"
    WORK = "work", "Work"
    NONE_RECALLED = "none_recalled", "No injury recalled"


class Smoking(TextChoices):
    NEVER = "never", "Never"
    FORMER = "former", "Former"
    CURRENT = "current", "Current"


class Anaesthetic(TextChoices):
    GENERAL = "general", "General"
    SPINAL = "spinal", "Spinal"
    REGIONAL = "regional", "Regional block"
    LOCAL = "local", "Local"


class Supervision(TextChoices):
    """How closely a senior watched whoever performed the repair. Common practice."""

    INDEPENDENT = "independent", "Independent"
    SCRUBBED = "scrubbed", "Senior scrubbed"
    IN_THEATRE = "in_theatre", "Senior in theatre"


class Answer(TextChoices):
    """Whether one prerequisite of repair was met at surgery. Common practice."""

    YES = "yes", "Yes"
    NO = "no", "No"
    NOT_ASSESSED = "not_assessed", "Not assessed"


class LigamentState(TextChoices):
    INTACT = "intact", "Intact"
    TREATED_HERE = "treated_here", "Torn, treated in this operation"
    STAGED = "staged", "Torn, treatment staged"
    LEFT = "left", "Torn, left"
    RECONSTRUCTED_BEFORE = "reconstructed_before", "Previously reconstructed"


class LigamentSurgery(TextChoices):
    """Concomitant ligament surgery, derived from the ligament table for stratifying."""

    NONE = "none", "None"
    SAME = "same_operation", "In this operation"
    LATER = "staged_later", "Staged later"
    EARLIER = "staged_earlier", "Staged earlier"


class Graft(TextChoices):
    HAMSTRING = "hamstring", "Hamstring tendon"
    PATELLAR = "patellar", "Patellar tendon"
    QUADRICEPS = "quadriceps", "Quadriceps tendon"
    PERONEUS = "peroneus", "Peroneus longus tendon"
    ALLOGRAFT = "allograft", "Allograft"
    OTHER = "other", "Other"


class PosteromedialLook(TextChoices):
    """How the posteromedial compartment was examined for a ramp lesion. Common practice."""

    THROUGH_NOTCH = "through_notch", "Looked at through the notch"
    PROBED = "probed", "Probed by a posteromedial portal"
    NOT_LOOKED = "not_looked", "Not looked at"


class Staging(TextChoices):
    SINGLE = "single", "Single operation"
    REPAIR_FIRST = "repair_first", "Repair now, ligament later"
    LIGAMENT_FIRST = "ligament_first", "Ligament first"


class Acuity(TextChoices):
    """Derived from the days between injury and surgery; see rules/acuity.py for the cut points."""

    ACUTE = "acute", "Acute"
    SUBACUTE = "subacute", "Subacute"
    CHRONIC = "chronic", "Chronic"
    UNKNOWN = "unknown", "Unknown"


# --- Tear: ISAKOS classification, Anderson et al. AJSM 2011;39:926-32, plus root and ramp ------


class Meniscus(TextChoices):
    MEDIAL = "medial", "Medial"
    LATERAL = "lateral", "Lateral"


class Pattern(TextChoices):
    LONGITUDINAL = "longitudinal", "Longitudinal-vertical"
    BUCKET_HANDLE = "bucket_handle", "Bucket-handle"
    HORIZONTAL = "horizontal", "Horizontal"
    RADIAL = "radial", "Radial"
    VERTICAL_FLAP = "vertical_flap", "Vertical flap"
    HORIZONTAL_FLAP = "horizontal_flap", "Horizontal flap"
    COMPLEX = "complex", "Complex"
    ROOT = "root", "Root avulsion or root radial"
    RAMP = "ramp", "Ramp"


class Depth(TextChoices):
    PARTIAL = "partial", "Partial"
    COMPLETE = "complete", "Complete"


class RadialLocation(TextChoices):
    ANTERIOR = "anterior", "Anterior third"
    MIDDLE = "middle", "Middle third"
    POSTERIOR = "posterior", "Posterior third"
    ROOT = "root", "Root"


class RimZone(IntegerChoices):
    """Rim width. ISAKOS: < 3 mm, 3 to < 5 mm, >= 5 mm (which side 5 mm falls on is fixed here)."""

    ZONE_1 = 1, "Zone 1 (under 3 mm)"
    ZONE_2 = 2, "Zone 2 (3 to under 5 mm)"
    ZONE_3 = 3, "Zone 3 (5 mm or more)"


class VascularZone(TextChoices):
    RR = "RR", "Red-red"
    RW = "RW", "Red-white"
    WW = "WW", "White-white"


class Tissue(TextChoices):
    GOOD = "good", "Good"
    FRAYED = "frayed", "Frayed"
    DEGENERATE = "degenerate", "Degenerate"


class RootType(TextChoices):
    """LaPrade et al. AJSM 2015;43:363-9."""

    TYPE_1 = "1", "1: partial, stable"
    TYPE_2A = "2A", "2A: complete radial, under 3 mm from the root"
    TYPE_2B = "2B", "2B: complete radial, 3 to under 6 mm"
    TYPE_2C = "2C", "2C: complete radial, 6 to 9 mm"
    TYPE_3 = "3", "3: bucket-handle with root detachment"
    TYPE_4 = "4", "4: complex oblique or longitudinal into the root"
    TYPE_5 = "5", "5: bony avulsion"


class RampType(TextChoices):
    """Thaunat et al. Arthrosc Tech 2016;5:e871-5."""

    TYPE_1 = "1", "1: meniscocapsular"
    TYPE_2 = "2", "2: partial superior"
    TYPE_3 = "3", "3: partial inferior, hidden"
    TYPE_4 = "4", "4: complete"
    TYPE_5 = "5", "5: double"


class Treatment(TextChoices):
    REPAIRED = "repaired", "Repaired"
    PART_REPAIRED = "part_repaired", "Part repaired, part removed"
    REMOVED = "removed", "Removed"
    LEFT = "left", "Left alone"
    BIOLOGY_ONLY = "biology_only", "Biology only"


REPAIRED_TREATMENTS = (Treatment.REPAIRED, Treatment.PART_REPAIRED)


# --- Repair ----------------------------------------------------------------------------------


class Technique(TextChoices):
    ALL_INSIDE = "all_inside", "All-inside"
    INSIDE_OUT = "inside_out", "Inside-out"
    OUTSIDE_IN = "outside_in", "Outside-in"
    PULL_OUT = "pull_out", "Transtibial pull-out"
    SUTURE_ANCHOR = "suture_anchor", "Suture anchor"
    SUTURE_HOOK = "suture_hook", "Posteromedial-portal suture hook"


class Augmentation(TextChoices):
    NONE = "none", "None"
    PRP = "prp", "Platelet-rich plasma"
    FIBRIN_CLOT = "fibrin_clot", "Fibrin clot"
    FIBRIN_GLUE = "fibrin_glue", "Fibrin glue"
    MARROW_VENTING = "marrow_venting", "Marrow venting"
    OTHER = "other", "Other"


class TibialFixation(TextChoices):
    BUTTON = "button", "Button"
    ANCHOR = "anchor", "Anchor"
    SCREW_POST = "screw_post", "Screw post"
    BONE_BRIDGE = "bone_bridge", "Tied over bone"


class PassConfiguration(TextChoices):
    VERTICAL = "vertical", "Vertical"
    HORIZONTAL = "horizontal", "Horizontal"
    OBLIQUE = "oblique", "Oblique"
    CIRCUMFERENTIAL = "circumferential", "Circumferential"
    HYBRID = "hybrid", "Hybrid"


class PassSurface(TextChoices):
    UPPER = "upper", "Upper surface"
    LOWER = "lower", "Lower surface"


class SutureSize(TextChoices):
    """USP sizes. Common practice, no source: 2-0 in the body of a meniscus, 2 for a root pull-out."""

    USP_3_0 = "3-0", "3-0"
    USP_2_0 = "2-0", "2-0"
    USP_0 = "0", "0"
    USP_1 = "1", "1"
    USP_2 = "2", "2"
    USP_5 = "5", "5"


class RehabilitationCourse(TextChoices):
    PLANNED = "planned", "Planned"
    ACTUAL = "actual", "As it went"


# --- Follow-up -------------------------------------------------------------------------------


class TimePoint(TextChoices):
    """Planned times of review. Common practice; windows in rules/schedule.py."""

    WEEK_6 = "6w", "6 weeks"
    MONTH_3 = "3m", "3 months"
    MONTH_6 = "6m", "6 months"
    YEAR_1 = "12m", "12 months"
    YEAR_2 = "24m", "24 months"
    YEAR_5 = "60m", "60 months"
    YEAR_10 = "120m", "120 months"
    UNPLANNED = "unplanned", "Unplanned"


class Effusion(TextChoices):
    NONE = "none", "None"
    SLIGHT = "slight", "Slight"
    MARKED = "marked", "Marked"


class SportReturn(TextChoices):
    NO = "no", "No"
    LOWER = "lower", "Lower level"
    SAME = "same", "Same level"
    HIGHER = "higher", "Higher level"


class ImagingModality(TextChoices):
    MRI = "mri", "MRI"
    MR_ARTHROGRAM = "mr_arthrogram", "MR arthrogram"
    CT_ARTHROGRAM = "ct_arthrogram", "CT arthrogram"


class SignalToSurface(TextChoices):
    NONE = "none", "None"
    ONE = "one", "One surface"
    BOTH = "both", "Both surfaces"


class HealingClass(TextChoices):
    """Henning et al. CORR 1990;252:64-72 for a look; the same three words for imaging."""

    HEALED = "healed", "Healed"
    PARTLY = "partly", "Partly healed"
    FAILED = "failed", "Not healed"


class LookReason(TextChoices):
    STAGED = "staged", "Staged operation"
    SYMPTOMS = "symptoms", "Symptoms"
    OTHER_SURGERY = "other_surgery", "Other surgery"
    PROTOCOL = "protocol", "Research protocol"


class TearSite(TextChoices):
    SAME = "same", "Same site"
    NEW = "new", "New site in that meniscus"


class ReoperationAction(TextChoices):
    NONE = "none", "No meniscal work"
    RE_REPAIR = "re_repair", "Re-repair"
    PARTIAL_REMOVAL = "partial_removal", "Partial removal"
    TOTAL_REMOVAL = "total_removal", "Total removal"
    TRANSPLANT = "transplant", "Transplant"
    ROOT_REFIXATION = "root_refixation", "Root refixation"


class OtherSurgery(TextChoices):
    NONE = "none", "None"
    LIGAMENT = "ligament", "Ligament"
    WASHOUT = "washout", "Washout for infection"
    MANIPULATION = "manipulation", "Manipulation"
    HARDWARE = "hardware", "Hardware"
    OSTEOTOMY = "osteotomy", "Osteotomy"
    PARTIAL_REPLACEMENT = "partial_replacement", "Partial knee replacement"
    TOTAL_REPLACEMENT = "total_replacement", "Total knee replacement"


REPLACEMENTS = (OtherSurgery.PARTIAL_REPLACEMENT, OtherSurgery.TOTAL_REPLACEMENT)


class ComplicationKind(TextChoices):
    SAPHENOUS_NERVE = "saphenous_nerve", "Saphenous nerve"
    PERONEAL_NERVE = "peroneal_nerve", "Peroneal nerve"
    VESSEL = "vessel", "Vessel"
    DEEP_VEIN_THROMBOSIS = "deep_vein_thrombosis", "Deep vein thrombosis"
    PULMONARY_EMBOLISM = "pulmonary_embolism", "Pulmonary embolism"
    SUPERFICIAL_INFECTION = "superficial_infection", "Superficial infection"
    DEEP_INFECTION = "deep_infection", "Deep infection"
    STIFFNESS = "stiffness", "Stiffness needing manipulation"
    IMPLANT_IRRITATION = "implant_irritation", "Implant irritation"
    IMPLANT_FAILURE = "implant_failure", "Implant failure"
    REGIONAL_PAIN = "regional_pain", "Complex regional pain"


class Severity(TextChoices):
    """Clavien-Dindo grades, Dindo et al. Ann Surg 2004;240:205-13 (from memory)."""

    I = "I", "I"  # noqa: E741 - the grade's own name
    II = "II", "II"
    III = "III", "III"
    IV = "IV", "IV"
    V = "V", "V"


class FoundBy(TextChoices):
    SYMPTOMS = "symptoms", "Symptoms"
    SCREENING = "screening", "Screening"


class ContactSource(TextChoices):
    PHONE = "phone", "Phone"
    LETTER = "letter", "Letter"
    RECORD_CHECK = "record_check", "Record check"


class EndReason(TextChoices):
    """Why a living patient is followed no longer; death is the patient's own date of death."""

    WITHDREW = "withdrew", "Withdrew"
    MOVED = "moved", "Moved"
    LOST = "lost", "Lost after repeated attempts"


class GivenUpReason(TextChoices):
    """Why one planned review is waited for no longer. Common practice."""

    NOT_REACHED = "not_reached", "Not reached after several tries"
    DECLINED = "declined", "Declined this review"
    ELSEWHERE = "elsewhere", "Followed elsewhere"
    UNABLE = "unable", "Not able to come or answer"


class AnswerWay(TextChoices):
    """How answers came in."""

    CLINIC = "clinic", "In clinic"
    LINK = "link", "By the patient's link"
    PAPER = "paper", "From paper"


class OperatedAgain(TextChoices):
    """What a patient says of another operation on this knee. Only "no" moves the last-known-well date."""

    NO = "no", "No"
    YES = "yes", "Yes"
    UNSURE = "unsure", "Not sure"


class Language(TextChoices):
    """Languages that a patient may be written to in; the frame of the patient's page speaks them."""

    ENGLISH = "en", "English"
    SPANISH = "es", "Spanish"


class Reminding(TextChoices):
    """How a patient wishes to be reminded."""

    EMAIL = "email", "E-mail"
    SMS = "sms", "Text message"
    NONE = "none", "No reminders"


class MessageKind(TextChoices):
    """What a message is for: the first of a review, or one of those that follow it."""

    INVITATION = "invitation", "Invitation"
    REMINDER = "reminder", "Reminder"
    LAST_REMINDER = "last_reminder", "Last reminder"


class MessageState(TextChoices):
    """How far a message came. Between the last two only the receiving server knows."""

    CLAIMED = "claimed", "Being prepared"
    HANDED_OVER = "handed_over", "Handed over"
    SENT = "sent", "Accepted by the server"
    FAILED = "failed", "Not sent"


class ReoperatedSince(TextChoices):
    """Answer to: another operation on this knee since? Only "no" moves the last-known-well date."""

    NOT_ASKED = "not_asked", "Not asked"
    NO_ANSWER = "no_answer", "Asked, not answered"
    NO = "no", "No"
    YES = "yes", "Yes, to be verified"


# --- Ways in and out -------------------------------------------------------------------------


class IntakeState(TextChoices):
    """How far a file of old records is."""

    OPEN = "open", "Columns being named"
    WAITING = "waiting", "Waiting to be rehearsed"
    REHEARSING = "rehearsing", "Being rehearsed"
    REHEARSED = "rehearsed", "Rehearsed"
    CONFIRMED = "confirmed", "Waiting to be taken in"
    TAKING_IN = "taking_in", "Being taken in"
    TAKEN_IN = "taken_in", "Taken in"
    UNDONE = "undone", "Undone"
    DROPPED = "dropped", "Dropped"
    BROKEN = "broken", "Broken off"


class Scope(TextChoices):
    """What an access key opens, within what its person may do."""

    READ_RECORD = "record:read", "Read the record"
    WRITE_RECORD = "record:write", "Record, correct and withdraw"
    READ_FIGURES = "figures:read", "Read cohorts and results"
    NAME_COHORTS = "cohorts:write", "Name cohorts"
    READ_RELEASES = "releases:read", "Read releases and their packages"

"""IKDC subjective knee form (Irrgang et al. 2001). Its question on function before injury is not scored."""

from collections.abc import Mapping

from registry.scoring.arithmetic import percent_reached
from registry.scoring.instrument import TOTAL, Group, Instrument, Item, percent_scale

GRADES, MARKS, YES_NO = range(5), range(11), (0, 1)  # of locking: 0 yes, 1 no

ITEMS = (
    Item("PERF", "Pain-limited activity", GRADES),
    Item("PAIN", "Time in pain", MARKS),
    Item("SEV", "Pain strength", MARKS),
    Item("STIFF", "Tightness", GRADES),
    Item("SWELL", "Swelling-limited activity", GRADES),
    Item("LOCK", "Locking", YES_NO),
    Item("GIVE", "Stability-limited activity", GRADES),
    Item("PARTIC", "Usual activity", GRADES),
    Item("UPSTRS", "Stairs: up", GRADES),
    Item("DNSTRS", "Stairs: down", GRADES),
    Item("KNEEL", "Kneeling", GRADES),
    Item("SQUAT", "Squatting", GRADES),
    Item("SIT", "Sitting", GRADES),
    Item("RISE", "Rising", GRADES),
    Item("RUN", "Running", GRADES),
    Item("JUMP", "Jumping", GRADES),
    Item("STOP", "Change of pace", GRADES),
    Item("CRFUNC", "Present function", MARKS),
)
CODES = tuple(item.code for item in ITEMS)
SYMPTOMS, ACTIVITIES, FUNCTION = CODES[:7], CODES[7:17], CODES[17:]

REVERSED = frozenset({"PAIN", "SEV"})  # kept as marked, 0 none to 10 worst
AT_LEAST = 16  # of 18, though nine tenths of 18 are 16.2


def score(answers: Mapping[str, int]) -> dict[str, float | None]:
    """Points over the most that the answered items could give; not over 87 where items are missing."""
    return {TOTAL: percent_reached(ITEMS, answers, REVERSED, AT_LEAST)}


IKDC = Instrument(
    code="ikdc",
    name="IKDC subjective",
    items=ITEMS,
    groups=(Group("Symptoms", SYMPTOMS), Group("Activities", ACTIVITIES), Group("Function", FUNCTION)),
    scales=(percent_scale(TOTAL, "IKDC subjective", CODES),),
    # Early papers count items from 1 and take (raw - 18) / 87 (from memory): such answers do not fit here.
    rules={"2001": score},
    reference="Irrgang JJ et al. Am J Sports Med 2001;29(5):600-613",
    licence="Freely available in several languages; copyright with the AOSSM (from memory): ask first.",
)

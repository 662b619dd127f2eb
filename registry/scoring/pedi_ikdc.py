"""Pedi-IKDC, the IKDC form for children. Item 12, on function before injury, is not scored and not kept."""

from collections.abc import Mapping

from registry.scoring.arithmetic import percent_reached
from registry.scoring.instrument import TOTAL, Group, Instrument, Item, percent_scale

GRADES, MARKS, YES_NO = range(5), range(11), (0, 1)  # of catching and locking: 0 yes, 1 no

# What the items ask, and so the labels: from memory. Their maxima add up to the published 92.
ITEMS = (
    Item("q1", "Pain-limited activity", GRADES),
    Item("q2", "Time in pain", MARKS),
    Item("q3", "Pain strength", MARKS),
    Item("q4", "Tightness", GRADES),
    Item("q5", "Swelling", GRADES),
    Item("q6", "Swelling-limited activity", GRADES),
    Item("q7", "Catching", YES_NO),
    Item("q8", "Locking", YES_NO),
    Item("q9", "Stability-limited activity", GRADES),
    Item("q10", "Usual activity", GRADES),
    Item("q11a", "Stairs: up", GRADES),
    Item("q11b", "Stairs: down", GRADES),
    Item("q11c", "Kneeling", GRADES),
    Item("q11d", "Squatting", GRADES),
    Item("q11e", "Sitting", GRADES),
    Item("q11f", "Rising", GRADES),
    Item("q11g", "Running", GRADES),
    Item("q11h", "Jumping", GRADES),
    Item("q11i", "Change of pace", GRADES),
    Item("q13", "Present function", MARKS),
)
CODES = tuple(item.code for item in ITEMS)
SYMPTOMS, ACTIVITIES, FUNCTION = CODES[:9], CODES[9:19], CODES[19:]

REVERSED = frozenset({"q2", "q3"})  # kept as marked, 0 none to 10 worst
AT_LEAST = 18  # of 20: no score if more than two are missing


def score(answers: Mapping[str, int]) -> dict[str, float | None]:
    """Points over 92; with one or two missing, over the most that the answered items could give.

    The second half is taken over from the IKDC form: the printed instructions tell only the whole form.
    """
    return {TOTAL: percent_reached(ITEMS, answers, REVERSED, AT_LEAST)}


PEDI_IKDC = Instrument(
    code="pedi_ikdc",
    name="Pedi-IKDC",
    items=ITEMS,
    groups=(Group("Symptoms", SYMPTOMS), Group("Activities", ACTIVITIES), Group("Function", FUNCTION)),
    scales=(percent_scale(TOTAL, "Pedi-IKDC", CODES),),
    rules={"2011": score},
    reference="Kocher MS et al. Am J Sports Med 2011;39(5):933-939 (from memory); its scoring instructions",
    licence="Copyright with the AOSSM (from memory): ask before loading the wording.",
)

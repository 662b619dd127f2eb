"""What every file of a package says alike, and how it says numbers."""

from outcomes.release.frozen import LOOKS, REOPERATIONS, REPAIRS, SCORES, VISITS
from outcomes.results import FEWEST_SHOWN
from outcomes.wording import percent

NOT_PROMISED = (
    "Classes of people alike do not stop an attacker who knows rare clinical facts, or that two rows are of "
    "one patient. What was given up can be hinted at by other columns: ligament surgery by the reason of a "
    "second look, other surgery or the stability of the knee; activity by a score before the operation. "
    "Re-identification is forbidden, and a data use agreement and local information-governance rules still "
    "apply."
)
TERMS = (
    "Use it for the stated purpose alone, under the stated approval.",
    "Do not try to find out whom a row is about, and do not link it to other data on single people.",
    "Do not pass it on. Others ask the registry for a release of their own.",
    "Keep to the data use agreement and to local information-governance rules, and destroy it when they "
    "say so.",
    "When the registry recalls the release or names a pseudonym whose permission was withdrawn, do as asked.",
)
NOT_A_DEVICE = (
    "For audit and research. Not a medical device; gives no treatment advice. Local protocol and the "
    "operating surgeon decide."
)
NOT_OBSERVED = "not observed so long"
ROWS_OF = {
    REPAIRS: "one row a repair",
    VISITS: "one row a visit, for each released operation of that knee before it",
    SCORES: "one row a scale of an answered form, for each operation it belongs to",
    LOOKS: "one row a repair seen at a second look",
    REOPERATIONS: "one row a reoperation, for each repair it was done to",
}


def one_line(text: str) -> str:
    """Text that somebody entered, without line breaks, so that it stays where it is put."""
    return " ".join(text.split())


def share(value: float | None, of: int) -> str:
    """A survival or share among so many, as a percentage; words where it is none, or of too few to tell."""
    if of < FEWEST_SHOWN:
        return f"not told of under {FEWEST_SHOWN}"
    return NOT_OBSERVED if value is None else percent(value)

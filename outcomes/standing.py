"""Where single repairs stand: the same time line as the curves, read for a handful of repairs."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from operator import itemgetter

from django.db.models import Value
from django.utils.formats import date_format

from outcomes import wording
from outcomes.failure import DEFINITIONS, REOPERATION, FailureDefinition
from outcomes.timeline import CENSORED, DIED, FAILED, REMOVED, REPLACED, timeline
from registry.models import Repair

_WORDS = {
    DIED: "standing until the patient died",
    REPLACED: "standing until the knee was replaced",
    REMOVED: "standing until that meniscus was removed for a new tear",
}


@dataclass(frozen=True, slots=True)
class Standing:
    """One repair under one failure definition: what became of it, when, after how long, and why."""

    definition_name: str
    outcome: str
    ended_on: date
    duration_days: int
    why: str

    @property
    def short(self) -> str:
        """A few words for a list."""
        return {FAILED: "Failed", CENSORED: "Standing"}.get(self.outcome, "Ended otherwise")

    @property
    def months(self) -> str:
        """Months from the operation to the end of what is known."""
        return wording.months(self.duration_days)

    @property
    def sentence(self) -> str:
        """The standing in words, with its date and its reason."""
        when = f"on {date_format(self.ended_on, 'j M Y')}, {self.months} months after the operation"
        if self.outcome == FAILED:
            return f"Failed {when}: {self.why}."
        if self.outcome == CENSORED:
            return f"Standing when last known well {when}."
        return f"{_WORDS[self.outcome].capitalize()} {when}."


def standings(repairs: Sequence[Repair], definition: FailureDefinition = REOPERATION) -> dict[int, Standing]:
    """Standing of each repair by its key. `repairs` must have tear and procedure at hand (select_related).

    Two queries, however many repairs.
    """
    tears = [repair.tear_id for repair in repairs]
    knees = [repair.tear.procedure.knee_id for repair in repairs]
    rows = timeline(Repair.objects.filter(tear__in=tears), definition, tears=tears, knees=knees).values_list(
        "pk", "tear_id", "outcome", "ended_on", "duration_days"
    )
    reasons = _reasons(definition, tears)
    return {
        pk: Standing(definition.name, outcome, ended_on, days, reasons.get((tear, ended_on), ""))
        for pk, tear, outcome, ended_on, days in rows
    }


def all_standings(repairs: Sequence[Repair]) -> dict[int, list[Standing]]:
    """Standing of each repair under every definition."""
    found = [standings(repairs, definition) for definition in DEFINITIONS.values()]
    return {repair.pk: [by_repair[repair.pk] for by_repair in found] for repair in repairs}


def _reasons(definition: FailureDefinition, tears: Sequence[int]) -> dict[tuple[int, date], str]:
    """What happened to a tear on a day, in words; of one day the first source of the definition tells."""
    first, *others = (
        source.events().filter(of_tear__in=tears).annotate(place=Value(place))
        for place, source in enumerate(definition.sources)
    )
    reasons: dict[tuple[int, date], str] = {}
    for row in sorted(first.union(*others, all=True), key=itemgetter("place")):
        reasons.setdefault((row["of_tear"], row["event_on"]), definition.sources[row["place"]].what)
    return reasons

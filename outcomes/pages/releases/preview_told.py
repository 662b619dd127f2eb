"""What outcomes.release.preview kept of a release, as facts and tables for a page."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Self

from outcomes.wording import counted, percent
from registry.pages.tables import Table

# The curve most papers read at two years.
HEADLINE_YEAR = 2


@dataclass(frozen=True, slots=True)
class Told:
    """What would leave, in words and tables."""

    headline: str
    facts: list[tuple[str, str]]
    attributes: Table
    flow: Table
    effect: Table
    columns: list[tuple[str, list[str]]]

    @classmethod
    def of(cls, preview: Mapping[str, Any]) -> Self:
        """Told of the JSON that a job keeps."""
        return cls(
            headline=_headline(preview),
            facts=anonymity_facts(preview),
            attributes=attributes_table(preview["levels"]),
            flow=flow_table(preview["flow"]),
            effect=effect_table(preview["effect"]),
            columns=[
                (f"{table.capitalize()}, {counted(preview['rows'][table], 'row')}", list(names))
                for table, names in preview["columns"].items()
            ],
        )


def anonymity_facts(hidden: Mapping[str, Any]) -> list[tuple[str, str]]:
    """How well it hides its people: what was asked for, what was reached."""
    return [
        ("Patients alike, asked for", f"at least {hidden['asked_k']}"),
        ("Patients alike, reached", str(hidden["patients"])),
        ("Repairs alike, reached (k)", str(hidden["k"])),
        ("Repairs left out for it", str(hidden["suppressed"])),
        ("Outcomes in each class (distinct l)", str(hidden["distinct_l"])),
        ("Outcome of a class against all (t)", f"{hidden['t_closeness']:.2f}"),
        ("Highest risk of being picked out", percent(hidden["highest_risk"])),
        (
            "With several repairs, alone in how these combine",
            f"{hidden['of_them_alone']} of {counted(hidden['patients_with_several'], 'patient')}",
        ),
    ]


def attributes_table(levels: Iterable[Mapping[str, Any]]) -> Table:
    """Each attribute asked for: its form in the package, and the share of detail that cost."""
    rows = [[each["title"], each["label"], f"{100 * each['loss']:.0f} %"] for each in levels]
    return Table("How each attribute is told", ["Attribute", "Told as", "Detail lost"], rows)


def flow_table(flow: Iterable[Mapping[str, Any]]) -> Table:
    """From all repairs on record to those released, a rule a line."""
    rows = [[step["label"], f"{step['left_out']:,}", f"{step['remaining']:,}"] for step in flow]
    return Table("Repairs left out by each rule", ["Rule", "Left out", "Remaining"], rows)


def effect_table(effect: Iterable[Mapping[str, Any]]) -> Table:
    """Survival among all permitted repairs, and among those released."""
    rows = [
        [counted(each["year"], "year"), percent(each["permitted"]), percent(each["released"])]
        for each in effect
    ]
    return Table("Survival at", ["After", "All permitted repairs", "Released repairs"], rows)


def _headline(preview: Mapping[str, Any]) -> str:
    """Rows, people and two-year survival in one breath."""
    released = preview["flow"][-1]["remaining"]
    words = (
        f"{counted(released, 'repair')} would leave, nobody among fewer than {preview['patients']} patients "
        f"alike; {counted(preview['suppressed'], 'repair')} left out to reach that."
    )
    for each in preview["effect"]:
        if each["year"] == HEADLINE_YEAR:
            words += (
                f" Survival at {HEADLINE_YEAR} years: {percent(each['permitted'])} of all permitted repairs, "
                f"{percent(each['released'])} of those released."
            )
    return words

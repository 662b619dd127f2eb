"""reporting-items.md: the items of three guidelines, filled with what the registry knows."""

from outcomes.release.frozen import REPAIRS, TABLES, Frozen
from outcomes.release.package.facts import Facts, facts_of, not_recorded
from outcomes.release.package.reporting_lists import GUIDELINES, Guideline
from outcomes.release.package.words import NOT_PROMISED, one_line, share
from outcomes.wording import counted

FOR_THE_AUTHORS = "For the authors."
_OPENING = (
    "Items by number, each under a short label of the registry's own; read the papers for what they ask. "
    "What the registry knows is filled in, for the authors to check and to put into the words of their "
    "study."
)


def reporting_items(frozen: Frozen) -> str:
    """The lists as Markdown, one table a guideline."""
    told = known(frozen)
    parts = ["# Items for reporting", _OPENING, *(_list(guideline, told) for guideline in GUIDELINES)]
    return "\n\n".join(parts) + "\n"


def _list(guideline: Guideline, told: dict[str, str]) -> str:
    rows = [
        f"| {number} | {label} | {_cell(told[fact]) if fact else FOR_THE_AUTHORS} |"
        for number, label, fact in guideline.items
    ]
    heading = f"## {guideline.name}: {guideline.what_for}\n\n{guideline.paper}\n"
    return "\n".join([heading, "| Item | About | Filled in |", "|---|---|---|", *rows])


def _cell(text: str) -> str:
    """Text within a table: a stroke would end the cell."""
    return one_line(text).replace("|", "\\|")


def known(frozen: Frozen) -> dict[str, str]:
    """What the registry knows of a release, by the names that `reporting_lists` calls it."""
    repairs = frozen.tables[REPAIRS]
    facts = facts_of(repairs)
    return {**_of_the_study(frozen), **_of_the_data(frozen), **_of_the_counts(frozen, facts)}


def _of_the_study(frozen: Frozen) -> dict[str, str]:
    asked = frozen.asked
    return {
        "design": (
            "Cohort from a registry of meniscal repairs, entered as they are done and followed from then "
            "on; those entered later from old notes are marked, and at risk from their entry."
        ),
        "purpose": f"Stated for this release: {asked.purpose} (approval {asked.approval}).",
        "setting": f"{counted(len(asked.units), 'unit')}, not named. {_years(frozen)} {FOR_THE_AUTHORS}",
        "people": f"{frozen.cohort_sentence} Patients who gave research permission.",
        "treatments": "Columns treatment, technique, sutures, augmentation and those beside them.",
        "blinding": "Not blinded: the record is kept by those who treat.",
        "linkage": "None: no other data were linked.",
        "access": "The authors have this package, not the record.",
    }


def _years(frozen: Frozen) -> str:
    width = frozen.asked.year_years
    if width:
        return f"Calendar years in bands, of {counted(width, 'year')} at the finest (column year)."
    return "Calendar years are not told."


def _of_the_data(frozen: Frozen) -> dict[str, str]:
    cautions = " ".join(frozen.definition_cautions)
    definition = f"{frozen.definition_name}: {frozen.definition_sentence}"
    bands = "; ".join(f"{level.title}: {level.label}" for level in frozen.hidden.levels)
    return {
        "definition": definition,
        "variables": f"Every column with its codes: codebook.csv. Failure is {definition}",
        "sources": "The source of each column stands in codebook.csv.",
        "bands": f"Bands set before release, so that people are hidden: {bands or 'none asked for'}.",
        "statistics": (
            "Kaplan-Meier with late entries; competing events censor (method.md). Repairs of one patient "
            "are not independent: column patient is the cluster."
        ),
        "cleaning": (
            "Checked at entry by the rules of the record; codes that the codebook does not know stop a "
            "release."
        ),
        "limits": f"{cautions} {NOT_PROMISED}".strip(),
        "at_hand": "Data, codebook, method and programs that reproduce the survival: this package.",
    }


def _of_the_counts(frozen: Frozen, facts: Facts) -> dict[str, str]:
    lacking = not_recorded(frozen.tables[REPAIRS])
    missing = ", ".join(f"{name} {number:,}" for name, number in lacking.items())
    missing = f"Not recorded, or not applying, of {counted(facts.repairs, 'repair')}: {missing or 'none'}."
    events = f"{counted(facts.failures, 'failure')} and {counted(facts.competing, 'competing event')}"
    size = f"{counted(facts.repairs, 'repair')} of {counted(facts.patients, 'patient')}"
    rows = ", ".join(f"{table} {len(frozen.tables[table]):,}" for table in TABLES)
    return {
        "flow": "; ".join(
            f"{step.label}: left out {step.left_out:,}, remaining {step.remaining:,}" for step in frozen.flow
        )
        + ".",
        "size": f"{size}; all that the cohort held, no size was aimed at. Rows: {rows}.",
        "missing": missing,
        "described": f"{missing} Median follow-up {facts.median_follow_up} (reverse Kaplan-Meier).",
        "outcomes": f"{events} among {size}.",
        "estimates": _estimates(frozen, facts),
        "bias": _bias(frozen, facts),
    }


def _estimates(frozen: Frozen, facts: Facts) -> str:
    years = [
        f"{each.year} y {share(each.survival, facts.repairs)} ({each.at_risk:,} at risk)"
        for each in frozen.survival
    ]
    return f"Still standing: {'; '.join(years)}. Intervals: for the authors."


def _bias(frozen: Frozen, facts: Facts) -> str:
    suppressed = counted(frozen.hidden.suppressed, "repair")
    return (
        f"{counted(facts.entered_late, 'repair')} entered late; {facts.never_at_risk:,} more had ended by "
        f"then and are not in the survival. {suppressed} left out because they stood out: "
        "disclosure-report.html tells what that did."
    )

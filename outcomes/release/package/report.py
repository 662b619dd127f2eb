"""The disclosure report: who was left out, how people are hidden, and what that did to the figures."""

from django.template.loader import render_to_string

from outcomes import wording
from outcomes.estimators import anonymity, follow_up, survival
from outcomes.estimators.cautions import FEW_AT_RISK
from outcomes.release.frozen import REPAIRS, Frozen, Hidden
from outcomes.release.package import report_tables as tables
from outcomes.release.package.citation import title
from outcomes.release.package.facts import Facts, facts_of
from outcomes.release.package.method import LOSS_REFERENCE, SURVIVAL
from outcomes.release.package.words import NOT_A_DEVICE, NOT_PROMISED, TERMS

METHODS = (anonymity.METHOD, SURVIVAL, follow_up.METHOD)
REFERENCES = (
    anonymity.REFERENCE,
    LOSS_REFERENCE,
    survival.REFERENCE,
    survival.REFERENCE_LATE_ENTRY,
    follow_up.REFERENCE,
)


def disclosure_report(frozen: Frozen) -> str:
    """The report as one HTML file that needs nothing beside it."""
    facts = facts_of(frozen.tables[REPAIRS])
    context = {
        "page": "Disclosure report",
        "title": title(frozen),
        "frozen": frozen,
        "cautions": (NOT_PROMISED, *_cautions(frozen), *frozen.definition_cautions, NOT_A_DEVICE),
        "facts": _facts(frozen, facts),
        "contents": tables.contents_table(frozen),
        "flow": tables.flow_table(frozen),
        "measures": _measures(frozen.hidden, facts),
        "levels": tables.levels_table(frozen.hidden.levels),
        "suppressed": tables.suppressed_table(frozen.hidden),
        "several": _several(frozen.hidden),
        "survival": tables.survival_table(frozen.survival, facts),
        "effect": tables.effect_table(frozen.effect, facts),
        "terms": TERMS,
        "methods": METHODS,
        "references": REFERENCES,
    }
    return render_to_string("outcomes/release_files/disclosure_report.html", context)


def _facts(frozen: Frozen, facts: Facts) -> dict[str, str]:
    return {
        "Repairs released": f"{facts.repairs:,} of {wording.counted(facts.patients, 'patient')}",
        "Failures": f"{facts.failures:,}",
        "Competing events": f"{facts.competing:,}",
        "Median follow-up": facts.median_follow_up,
        "Entered late, at risk from then on": f"{facts.entered_late:,}",
        "End known when entered late, not in the survival": f"{facts.never_at_risk:,}",
        "Units": f"{len(frozen.asked.units)}",
    }


def _measures(hidden: Hidden, facts: Facts) -> dict[str, str]:
    """How far people are hidden; the risks are of people."""
    before = facts.repairs + hidden.suppressed
    return {
        "Patients alike asked for": f"at least {hidden.asked_k}",
        "Patients in the smallest class": f"{hidden.patients:,}",
        "Repairs in the smallest class (k)": f"{hidden.k:,}",
        "Classes": f"{hidden.classes:,}",
        "Fewest outcomes in a class (distinct l)": f"{hidden.distinct_l}",
        "Largest distance of outcomes (t)": f"{hidden.t_closeness:.3f}",
        "Highest risk of being picked": wording.percent(hidden.highest_risk),
        "Mean risk of being picked": wording.percent(hidden.mean_risk),
        "Left out because they stood out": f"{hidden.suppressed:,} of {before:,}",
        "Detail lost, all together": wording.percent(hidden.loss),
        "Combinations of steps looked at": f"{hidden.combinations_tried:,} of {hidden.combinations:,}",
    }


def _several(hidden: Hidden) -> str:
    if not hidden.patients_with_several:
        return "No patient has several released repairs."
    have = "has" if hidden.patients_with_several == 1 else "have"
    return (
        f"{wording.counted(hidden.patients_with_several, 'patient')} {have} several released repairs; "
        f"{hidden.of_them_alone:,} of them share their whole set of classes with nobody else. Who knows all "
        "operations of such a person may find them: k counts single repairs."
    )


def _cautions(frozen: Frozen) -> list[str]:
    few = any(each.at_risk < FEW_AT_RISK for each in frozen.survival)
    said = f"Fewer than {FEW_AT_RISK} remain at risk in some year: read nothing into the survival told there."
    return [said] if few else []

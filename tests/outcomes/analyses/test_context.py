"""What is said of a cohort beside every figure: counts, follow-up, completeness, late entries, cautions."""

from dataclasses import replace

import pytest

from outcomes.charts.context import context_facts, methods_facts
from outcomes.estimators.survival import Interval
from outcomes.failure import ANY, REOPERATION
from tests.outcomes.analyses.counting import COHORT, of_rows

STANDING = [(day, "censored") for day in (300, 400, 500, 600, 700)]


def test_counts_and_follow_up_stand_beside_the_figure() -> None:
    _, context = of_rows((100, "failed"), (200, "died"), *STANDING)
    assert (context.n, context.events, context.ended_otherwise) == (7, 1, 1)
    # The median of five ends of follow-up, what ended otherwise censored: Schemper & Smith 1996.
    assert dict(context_facts(context)) == {
        "Cohort": COHORT,
        "Reoperation on the repair": REOPERATION.sentence,
        "Repairs": "7, of which failed 1; ended by death, knee replacement or another tear 1",
        "Median follow-up": "16.4 (9.9 to not reached) months",
        "Follow-up complete": "100.0 % of the time possible until 1 Sep 2026",
    }


def test_incomplete_follow_up_and_the_definition_bring_their_cautions() -> None:
    counted, context = of_rows(*STANDING)
    halved = replace(counted, table=counted.table.assign(potential_days=counted.table["day"] * 2))
    assert context.cautions == ()
    told = type(context).of(COHORT, ANY, context.closed_on, halved).cautions
    assert told == (
        "Follow-up is 50.0 % complete: those lost may have fared otherwise.",
        *ANY.cautions,
    )


def test_late_entries_are_told() -> None:
    _, context = of_rows(*STANDING, entry=[0, 0, 0, 150, 150])
    assert context.entered_late == 2
    assert "2 repairs entered later from old notes: at risk only from the day of entry." in context.cautions


@pytest.mark.parametrize("repairs", [0, 1, 4])
def test_of_fewer_than_five_only_counts_are_told(repairs: int) -> None:
    _, context = of_rows(*STANDING[:repairs])
    facts = dict(context_facts(context))
    assert facts["Repairs"].startswith(f"{repairs}, of which failed 0")
    assert facts["Median follow-up"] == facts["Follow-up complete"] == "too few"
    assert "%" not in "".join(facts[label] for label in ("Repairs", "Median follow-up", "Follow-up complete"))
    assert context.cautions == ("Fewer than 5 repairs: counts only.",)


def test_a_median_not_reached_has_no_months() -> None:
    _, context = of_rows(*STANDING)
    unreached = replace(context, follow_up=Interval(None, None, None))
    assert dict(context_facts(unreached))["Median follow-up"] == "not reached"


def test_methods_and_references_come_last() -> None:
    assert methods_facts(("One.", "Two."), ("A.",)) == (("Method", "One. Two."), ("References", "A."))

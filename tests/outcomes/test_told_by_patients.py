"""What patients tell and what the figures make of it: nothing, until an operation on record confirms it."""

from datetime import date, timedelta
from typing import Any

from outcomes.cohort import Cohort
from outcomes.counts import count_table
from outcomes.failure import ANY, REOPERATION
from registry.models import PatientReport, Reoperation, ReoperationOnTear, ScoreResponse, Unit
from registry.recording import record
from registry.reports import may_confirm, to_verify, warning_signs
from tests import factories
from tests.conftest import Cast

CLOSED_ON = date(2026, 1, 1)
CALLED, ELSEWHERE, TOLD = 100, 250, 400


def curve(definition: Any = REOPERATION) -> list[tuple[int, str, int]]:
    """Day after operation, outcome and number: what the survival curve is drawn from."""
    counted = count_table(Cohort(which="all").repairs(Unit.objects.all()), definition, (), CLOSED_ON)
    return sorted((row.day, row.outcome, row.n) for row in counted.itertuples(index=False))


def waiting() -> list[PatientReport]:
    return list(to_verify(Unit.objects.all()))


def day(days: int) -> date:
    return factories.OPERATED_ON + timedelta(days=days)


def a_report(cast: Cast, answer: str, days: int = TOLD, **fields: Any) -> PatientReport:
    report = PatientReport(knee=cast.knee, answered_on=day(days), operated_again=answer, way="link", **fields)
    record(report)
    return report


def elsewhere(cast: Cast) -> Reoperation:
    """What the other hospital did, entered here once it was asked."""
    again = Reoperation(knee=cast.knee, operated_on=day(ELSEWHERE))
    record(again, ReoperationOnTear(reoperation=again, tear=cast.repair.tear, action="partial_removal"))
    return again


def test_a_reoperation_elsewhere_is_on_the_list_and_in_no_curve(cast: Cast) -> None:
    factories.a_contact(cast.repair, CALLED)
    before = [curve(REOPERATION), curve(ANY)]
    report = a_report(cast, "yes")
    assert waiting() == [report]
    assert before[0] == [(CALLED, "censored", 1)]
    assert [curve(REOPERATION), curve(ANY)] == before


def test_confirmed_it_is_in_the_curve_at_its_own_date(cast: Cast) -> None:
    factories.a_contact(cast.repair, CALLED)
    report = a_report(cast, "yes")
    again = elsewhere(cast)
    assert may_confirm(report) == [again]
    factories.corrected(report, reoperation=again)
    assert waiting() == []
    assert curve() == [(ELSEWHERE, "failed", 1)]


def test_a_later_operation_here_confirms_it_too(cast: Cast) -> None:
    report = a_report(cast, "yes")
    later = factories.an_operation(
        cast.unit, cast.oak, cast.knee, operated_on=day(ELSEWHERE), injured_on=None
    )
    factories.a_tear(later, revises=cast.repair.tear, treatment="removed")
    assert may_confirm(report) == [later]
    factories.corrected(report, operation=later)
    assert waiting() == []
    assert curve() == [(ELSEWHERE, "failed", 1)]


def test_set_aside_it_still_counts_nothing(cast: Cast) -> None:
    report = a_report(cast, "yes")
    factories.corrected(report, no_reoperation_because="An injection")
    assert waiting() == []
    assert curve() == [(0, "censored", 1)]


def test_a_no_moves_last_known_well(cast: Cast) -> None:
    factories.a_contact(cast.repair, CALLED)
    a_report(cast, "no")
    assert waiting() == []
    assert curve() == [(TOLD, "censored", 1)]
    # It tells nothing of healing: under "Any failure" only an examination counts.
    assert curve(ANY) == [(0, "censored", 1)]


def test_a_score_without_that_answer_leaves_it_unmoved(cast: Cast) -> None:
    factories.a_contact(cast.repair, CALLED)
    for days, answer in ((TOLD, "not_asked"), (TOLD + 1, "no_answer")):
        record(
            ScoreResponse(
                knee=cast.knee,
                answered_on=day(days),
                instrument="lysholm",
                reoperated_since=answer,
                way="link",
            )
        )
    assert curve() == [(CALLED, "censored", 1)]


def test_not_sure_moves_nothing_and_waits(cast: Cast) -> None:
    factories.a_contact(cast.repair, CALLED)
    report = a_report(cast, "unsure")
    assert curve() == [(CALLED, "censored", 1)]
    assert waiting() == [report]


def test_a_withdrawn_report_counts_nothing_and_waits_for_nobody(cast: Cast) -> None:
    no, yes = a_report(cast, "no"), a_report(cast, "yes", fever=True)
    for report in (no, yes):
        factories.withdrawn(report)
    assert curve() == [(0, "censored", 1)]
    assert waiting() == []
    assert not warning_signs(Unit.objects.all())


def test_warning_signs_wait_whatever_else_was_told(cast: Cast) -> None:
    told = [a_report(cast, "no", days, **{sign: True}) for days, sign in enumerate(PatientReport.SIGNS)]
    a_report(cast, "no")
    a_report(cast, "no", fever=True, signs_seen_to=True)
    assert list(warning_signs(Unit.objects.all())) == told[::-1]
    assert not warning_signs(Unit.objects.filter(pk=cast.other_unit.pk))
    assert not to_verify(Unit.objects.filter(pk=cast.other_unit.pk))

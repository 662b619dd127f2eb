"""From scores to results: operators, ceilings, small counts, direction, and what is said beside numbers."""

from datetime import date, timedelta

import pytest

from outcomes.charts.score_course import course_figures
from outcomes.cohort import Cohort
from outcomes.score_course import score_course
from registry.models import ScoreResponse, Unit
from registry.recording import record
from registry.rules.schedule import DEFAULT_PLAN
from registry.scoring import INSTRUMENTS
from tests import factories

pytestmark = pytest.mark.django_db

ON = date(2027, 1, 1)
YEAR = next(review.due_day for review in DEFAULT_PLAN if review.code == "12m")


def pain(points):
    """A complete pain scale of KOOS with so many of its 36 points lost."""
    return {f"P{number + 1}": max(0, min(4, points - 4 * number)) for number in range(9)}


def knees(cast, pairs, instrument="koos"):
    """A repaired knee for each pair of answers, before and at a year; None where not answered."""
    for before, after in pairs:
        knee = factories.a_repair(factories.an_operation(cast.unit, cast.oak)).tear.procedure.knee
        for days, items in ((-5, before), (YEAR, after)):
            if items is not None:
                day = factories.OPERATED_ON + timedelta(days=days)
                record(ScoreResponse(knee=knee, answered_on=day, instrument=instrument, items=items))


def course(instrument="koos", scale="pain", **options):
    form = INSTRUMENTS[instrument]
    chosen = next(each for each in form.scales if each.code == scale)
    return score_course(Cohort(), Unit.objects.all(), form, chosen, ON, **options)


def at(found, code):
    return next(point for point in found.points if point.code == code)


def test_mean_at_each_time_point_of_those_who_answered(cast):
    knees(cast, [(pain(18), pain(n)) for n in (0, 9, 18, 27, 36)] + [(pain(36), None)])
    found = course()
    year = at(found, "12m")
    assert (year.answered, year.reached, year.level.n, year.level.estimate) == (5, 7, 5, 50)
    # Mean 50, standard deviation 39.528, t of 4 degrees of freedom 2.7764: 49.08 each way.
    assert year.level.upper - year.level.estimate == pytest.approx(49.08, abs=0.005)
    assert at(found, "before").level.estimate == pytest.approx((5 * 50 + 0) / 6)
    assert (at(found, "3m").answered, at(found, "3m").level) == (0, None)


def test_the_acceptable_state_is_above_the_cut_on_unrounded_scores(cast):
    # 80.5556 would be 80.6 when rounded; the first score above the cut is 83.3333.
    knees(cast, [(None, pain(n)) for n in (7, 7, 7, 6, 6, 0)])
    share = at(course(), "12m").in_pass
    assert (share.operator, share.reached.x, share.reached.n) == (">", 3, 6)


def test_who_had_no_room_for_the_change_is_counted_apart(cast):
    # MCID 11.8: from 18 points lost to 13 are 13.9, to 14 are 11.1; who lost 4 at most began above 88.2.
    knees(cast, [(pain(18), pain(13))] * 3 + [(pain(18), pain(14))] * 2 + [(pain(4), pain(0))] * 2)
    year = at(course(), "12m")
    assert (year.both, year.improved.reached.x, year.improved.reached.n) == (7, 3, 5)
    assert year.improved.out_of_reach == 2
    assert (year.improved.threshold, year.improved.operator) == (11.8, ">=")


def test_a_share_of_too_few_with_room_is_not_given(cast):
    knees(cast, [(pain(18), pain(0))] * 4 + [(pain(2), pain(0))] * 3)
    year = at(course(), "12m")
    assert (year.both, year.improved) == (7, None)
    assert year.change is not None


@pytest.mark.parametrize(("smallest", "shown"), [(5, True), (6, True), (7, False)])
def test_under_the_units_smallest_count_there_are_counts_alone(cast, smallest, shown):
    factories.corrected(cast.unit, smallest_count_shown=smallest)
    knees(cast, [(pain(18), pain(3))] * 6)
    found = course(with_lines=True)
    year = at(found, "12m")
    assert (year.answered, year.both) == (6, 6)
    assert [part is not None for part in (year.level, year.in_pass, year.change, year.improved)] == [
        shown
    ] * 4
    assert len(found.lines) == (6 if shown else 0)
    figures = course_figures(found, {})
    assert [bool(figure.plot) for figure in figures] == [shown] * 3
    assert ("%" in str(figures[2].table.rows)) is shown


def test_five_is_the_least_whatever_the_unit_says(cast):
    factories.corrected(cast.unit, smallest_count_shown=1)
    knees(cast, [(pain(18), pain(3))] * 4)
    assert at(course(), "12m").level is None


def test_lines_are_single_knees_with_two_scores_or_more(cast):
    knees(cast, [(pain(18), pain(0))] * 5 + [(pain(18), None)] * 3)
    assert course().lines == ()
    found = course(with_lines=True)
    assert (len(found.lines), found.lines_of) == (5, 5)
    places = [point.code for point in found.points]
    assert [found.lines[0][places.index(code)] for code in ("before", "3m", "12m")] == [50, None, 100]


def test_less_pain_is_a_change_for_the_better(cast):
    knees(cast, [({"pain": 8}, {"pain": 3})] * 5, "pain_nrs")
    assert at(course("pain_nrs", "total"), "12m").change.estimate == 5


def test_levels_of_activity_go_by_median_and_quartiles(cast):
    knees(cast, [({"level": 3}, {"level": level}) for level in (2, 4, 4, 7, 9)], "tegner")
    found = course("tegner", "total")
    year = at(found, "12m")
    assert (year.level.lower, year.level.estimate, year.level.upper) == (4, 4, 7)
    assert (year.change.estimate, year.improved, year.in_pass) == (1, None, None)
    figures = course_figures(found, {})
    assert [figure.name for figure in figures] == ["score-course", "score-change"]
    assert figures[0].title.startswith("Tegner: median 3 before, 4 at 12 months")
    assert any("more activity, not a better knee" in said for said in found.cautions)


def test_what_a_reader_needs_is_said(cast):
    knees(cast, [(pain(18), pain(3))] * 6)
    found = course()
    level, change, passing = course_figures(found, {"score-course": "/scores/course.csv"})
    assert level.csv_url == "/scores/course.csv"
    assert any("Only those who answered" in said for said in level.cautions)
    assert any("come from other people" in said for said in passing.cautions)
    assert any("do not call it real for one patient" in said for said in change.cautions)
    told = dict(change.facts)["Least important change (MCID)"]
    assert all(part in told for part in ("at least 11.8", "n = 60", "our convention", "3479-3486"))
    assert "operator as published" in dict(passing.facts)["Acceptable state (PASS)"]
    assert passing.title == "KOOS, Pain: greater than 80.6 in 100.0 % (61.0 to 100.0) at 12 months"


def test_where_no_threshold_was_published_none_is_made_up(cast):
    whole = {item.code: max(item.allowed) for item in INSTRUMENTS["lysholm"].items}
    knees(cast, [({**whole, "pain": 0}, whole)] * 5, "lysholm")
    figures = course_figures(course("lysholm", "total"), {})
    assert [figure.name for figure in figures] == ["score-course", "score-change"]
    assert dict(figures[1].facts)["Least important change (MCID)"] == "none published for meniscal repair"
    assert not any("Improved" in column for column in figures[1].table.columns)


def test_who_began_at_the_best_score_is_said(cast):
    knees(cast, [(pain(0), pain(3))] * 2 + [(pain(18), pain(3))] * 4)
    assert any(
        said == "12 months: 2 of 6 began at the best score and cannot improve; they are counted apart."
        for said in course().cautions
    )

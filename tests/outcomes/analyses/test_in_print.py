"""The cohort beside published figures: what is drawn, what is only told, and the own share by hand."""

from dataclasses import replace

import pytest

from outcomes.analyses import in_print
from outcomes.analyses.context import Context
from outcomes.analyses.in_print import CASE_MIX, in_print_result
from outcomes.analyses.likeness import FIGURES, Kind, kind_of
from outcomes.charts.in_print import failed_with_interval, in_print_figure
from outcomes.cohort import Cohort
from outcomes.failure import ANY, REOPERATION, own_definition
from outcomes.published import published
from outcomes.survival import count_repairs
from registry.models import Repair
from tests import factories
from tests.outcomes.analyses.counting import CLOSED_ON, COHORT, of_rows

# Of twenty two fail before two and a half years and two more before five.
ROWS = [(200, "failed"), (700, "failed"), (1000, "failed"), (1500, "failed"), *[(2400, "censored")] * 16]


def codes(result):
    return [one.figure.code for one in result.drawn]


@pytest.fixture
def result():
    return in_print_result(*of_rows(*ROWS))


def test_at_least_eight_figures_are_drawn_each_with_its_source(result):
    assert len(result.drawn) >= 8
    assert [one.number for one in result.drawn] == list(range(1, len(result.drawn) + 1))
    for one in result.beside:
        figure = one.figure
        assert figure.citation.strip()
        assert figure.population
        assert figure.definition
        assert one.source.endswith(str(figure.published))
        assert bool(one.number) != bool(one.why_not)


def test_every_published_figure_of_failure_is_said_to_be_like_something():
    assert set(FIGURES) == {figure.code for figure in published() if figure.measure == "failure"}


def test_what_nobody_has_judged_is_told_and_not_drawn(monkeypatch):
    new = [replace(figure, code="failure_new") for figure in published() if figure.measure == "failure"][:1]
    monkeypatch.setattr(in_print, "published", lambda: tuple(new))
    result = in_print_result(*of_rows(*ROWS))
    assert result.drawn == ()
    assert [one.why_not for one in result.beside] == ["not yet said which repairs it is like"]


def test_own_failure_is_read_at_the_years_of_each_figure(result):
    """By hand, nobody lost before: 1 of 20 at half a year, 2 at two and a half, 4 at five."""
    own = {one.figure.code: (one.own_years, one.own.survival) for one in result.drawn}
    assert own["failure_ow_2021_0_1"] == (0.5, pytest.approx(1.0))
    assert own["failure_ow_2021_2_3"] == (2.5, pytest.approx(18 / 20))
    assert own["failure_nepple_2012"] == (5, pytest.approx(16 / 20))
    assert all(one.own is None for one in result.beside if not one.number)


def test_a_part_of_repairs_is_drawn_only_beside_that_part():
    counted, context = of_rows(*ROWS)
    every = codes(in_print_result(counted, context))
    assert "failure_schweizer_2022_medial" not in every
    medial = codes(in_print_result(counted, context, Cohort(meniscus="medial")))
    assert set(medial) - set(every) == {"failure_nepple_2022_medial", "failure_schweizer_2022_medial"}
    young = codes(in_print_result(counted, context, Cohort(age="under_20")))
    assert set(young) - set(every) == {"failure_poland_2017_below_40"}
    one_of_many = codes(in_print_result(counted, context, Cohort(pattern="bucket_handle", acuity="acute")))
    assert set(one_of_many) - set(every) == {"failure_muench_2022"}


def test_without_years_a_figure_is_told_and_not_drawn(result):
    why = {one.figure.code: one.why_not for one in result.beside}
    assert why["failure_kssta_2018"] == "no years given"
    assert "failure_kssta_2018" not in codes(result)
    table = in_print_figure(result).table
    assert any("no: no years given" in row for row in table.rows)
    assert len(table.rows) == len(result.beside)


@pytest.mark.parametrize(
    ("definition", "kind"),
    [
        (REOPERATION, Kind.REOPERATION),
        (ANY, Kind.WIDER),
        (own_definition("own-1", "Own", ["repaired_again"]), Kind.REOPERATION),
        (own_definition("own-2", "Own", ["repaired_again", "look"]), Kind.WIDER),
    ],
)
def test_figures_that_count_failure_otherwise_are_dashed_and_said(definition, kind):
    assert kind_of(definition) is kind
    counted, context = of_rows(*ROWS)
    result = in_print_result(counted, replace(context, definition=definition))
    otherwise = [one for one in result.drawn if one.kind is not kind]
    lines = in_print_figure(result).plot["data"]
    assert sum(trace.get("line", {}).get("dash") == "dash" for trace in lines) == len(otherwise)
    case_mix, definitions, *_ = result.cautions
    assert case_mix == CASE_MIX
    assert definitions.startswith(
        f"{len(otherwise)} of the {len(result.drawn)} drawn count failure otherwise"
    )


def test_bands_stand_at_their_years_and_shares(result):
    """Nepple et al. J Bone Joint Surg Am 2012;94:2222-7: 131 of 566, 20.2 to 24.3 %, at 5 years or more."""
    plot = in_print_figure(result).plot
    [nepple] = [trace for trace in plot["data"] if "Nepple 2012" in trace.get("name", "")]
    assert nepple["y"] == pytest.approx([131 / 566] * 2)
    assert nepple["x"][0] == 60
    band = plot["data"][plot["data"].index(nepple) - 1]
    assert (min(band["y"]), max(band["y"])) == pytest.approx((0.202, 0.243))
    assert plot["layout"]["yaxis"]["range"][0] == 0
    assert plot["layout"]["yaxis"]["range"][1] > 0.243
    numbers = {label["text"] for label in plot["layout"]["annotations"]}
    assert {f"{one.number}" for one in result.drawn} <= numbers
    # Narrow screens keep the numbers and leave the key to the table.
    narrow = {label["text"] for label in plot["layout_narrow"]["annotations"]}
    assert narrow < numbers
    assert {f"{one.number}" for one in result.drawn} <= narrow


def test_from_the_record_with_its_cautions(db):
    unit = factories.a_unit("northmere")
    oak = factories.a_surgeon(unit, "oak")
    made = [factories.a_repair(factories.an_operation(unit, oak)) for _ in range(10)]
    for repair in made[:3]:
        factories.a_failure(repair, 100)
    for repair in made[3:]:
        factories.a_failure(repair, 600, action="none", other_surgery="total_replacement")
    counted = count_repairs(Repair.objects.all(), REOPERATION, (), CLOSED_ON)
    result = in_print_result(counted, Context.of(COHORT, REOPERATION, CLOSED_ON, counted))
    assert (result.curve.n, result.curve.events) == (10, 3)
    # By hand: 3 of 10 by half a year. Limits by R-checked kaplan_meier; here only that they are turned round.
    at = result.curve.at(183)
    assert failed_with_interval(at).startswith("30.0 % (")
    assert 1 - at.upper < 0.3 < 1 - at.lower
    assert any("ended 7 repairs" in caution for caution in result.cautions)


def test_under_five_repairs_the_figures_stand_without_a_curve():
    result = in_print_result(*of_rows((100, "failed"), (200, "censored")))
    assert result.curve is None
    figure = in_print_figure(result)
    assert figure.plot == {}
    assert {row[2] for row in figure.table.rows} == {"-"}

"""My results: a surgeon's own beside the unit's, and nobody else's."""

import csv
import io
import json
from typing import Any

import pytest
import time_machine
from django.core.cache import caches
from django.db import connection
from django.http import HttpResponse
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from outcomes.cache import RESULTS
from outcomes.charts.own import own_files
from outcomes.charts.whose import YOURS
from outcomes.estimators.survival import kaplan_meier
from outcomes.own import results
from outcomes.own.funnel import SMALL_NUMBERS
from outcomes.own.learning import NOT_RECORDED
from outcomes.own.results import COUNTS_ONLY, ONE_OTHER
from outcomes.pages.own import CHOOSE, NO_RECORD, NOBODY_AGREED
from registry.models import Surgeon
from tests import factories
from tests.conftest import Cast
from tests.outcomes.own.invented import CLOSED_ON, Course, courses, record_courses

pytestmark = pytest.mark.django_db

FIGURES = [
    "own-survival",
    "own-funnel",
    "own-expected",
    "own-case-mix",
    "own-monitor",
    "own-excess",
    "own-learning",
    "own-ramp",
    "own-indications",
]
PARTS = ["curve", "funnel", "expected", "case-mix", "monitor", "learning", "ramp", "indications", "failures"]
# Looks and ramp lesions in ACL-torn knees: five looked at, two of them with a ramp lesion, five not.
TORN = [
    *({"look": "probed", "pattern": "ramp"}, {"look": "through_notch", "pattern": "ramp"}),
    *({"look": "through_notch"}, {"look": "probed"}, {"look": "probed"}),
    *({"look": "not_looked"},) * 4,
    {"look": ""},
]


@pytest.fixture(autouse=True)
def _today() -> Any:
    with time_machine.travel(CLOSED_ON, tick=False):
        yield


@pytest.fixture
def three(cast: Cast) -> Cast:
    """Oak with 40 repairs of which 6 fail, beside elm and ash."""
    own = courses(40, range(0, 24, 4))
    own[-10:] = [
        Course(course.operated_on, course.zone, course.days, course.failed, "treated_here", **torn)
        for course, torn in zip(own[-10:], TORN, strict=True)
    ]
    record_courses(cast.unit, cast.oak, own)
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    record_courses(cast.unit, elm, courses(60, range(12)))
    record_courses(cast.unit, factories.a_surgeon(cast.unit, "ash"), courses(50, range(8)))
    return cast


def get(cast: Cast, who: str = "surgeon", part: str = "", **query: str) -> HttpResponse:
    address = reverse("my_results_csv", args=[part]) if part else reverse("my_results")
    return cast.client(who).get(address, query)


def figures(response: Any) -> dict[str, Any]:
    return {part.name: part for part in response.context["parts"] if not isinstance(part, str)}


def table(response: HttpResponse) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(response.content.decode())))


# --- what it shows ----------------------------------------------------------------------------


def test_cautions_come_first_and_every_figure_says_what_it_rests_on(three: Cast) -> None:
    response = get(three)
    text = response.content.decode()
    assert text.index(SMALL_NUMBERS) < text.index('<form class="filters"') < text.index("own-survival")
    shown = figures(response)
    assert list(shown) == FIGURES
    for name, figure in shown.items():
        labels = [label for label, _ in figure.facts]
        needed = {"In words", "Method", "References"}
        if name != "own-ramp":
            needed |= {
                "Cohort",
                "Repairs",
                "Median follow-up",
                "Follow-up complete",
                "Reoperation on the repair",
            }
        assert needed <= set(labels), name
        assert figure.csv_url, name
        plot = json.dumps(figure.plot).replace("<extra></extra>", "").replace("<br>", "")
        assert "<" not in plot, name


def test_own_failure_and_the_units_are_the_estimators(three: Cast) -> None:
    own, everyone = figures(get(three))["own-survival"].table.rows
    days = [100 + 20 * (number % 10) for number in range(0, 24, 4)]
    curve = kaplan_meier([*days, *[900] * 34, 0], [1] * 6 + [0] * 35, at=(365, 730))
    point = curve.landmarks[1]
    assert point.survival is not None
    assert point.lower is not None
    assert point.upper is not None
    failed = (
        f"{100 - 100 * point.survival:.1f} % ({100 - 100 * point.upper:.1f} to {100 - 100 * point.lower:.1f})"
    )
    assert own[:3] == ("You", "41", "6")
    assert own[5:7] == (failed, "34")
    assert everyone[:3] == ("All surgeons", "151", "26")
    steps = table(get(three, part="curve"))
    assert [float(row["survival"]) for row in steps if row["group"] == "You"] == list(curve.survival)


def test_looks_and_ramp_lesions_are_counted_beside_print(three: Cast) -> None:
    figure = figures(get(three))["own-ramp"]
    assert figure.table.rows[0] == ("You: looked at from behind", "5 of 10", "50.0 % (23.7 to 76.3)")
    assert figure.table.rows[2] == ("You: ramp lesion found, of those looked at", "2 of 5", "too few")
    facts = [text for label, text in figure.facts if label == "In print"]
    assert any("9 to 24 %" in text and "Knee Surg" in text for text in facts)
    assert dict(figure.facts)["No word of a look"].startswith("1;")


def test_every_own_failure_is_listed_with_its_reason_and_knee(three: Cast) -> None:
    response = get(three)
    failures = response.context["results"].failures
    assert len(failures) == 6
    assert {failure.why for failure in failures} == {
        "removed, re-repaired, refixed or replaced by a transplant at a reoperation"
    }
    days = [failure.failed_on for failure in failures]
    assert days == sorted(days, reverse=True)
    assert reverse("knee_story", args=[failures[0].knee]) in response.content.decode()
    assert len(table(get(three, part="failures"))) == 6


def test_of_many_failures_the_page_lists_the_latest_and_the_file_all(
    three: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    every = get(three).context["results"].failures
    monkeypatch.setattr(results, "FAILURES_LISTED", 4)
    caches[RESULTS].clear()
    response = get(three)
    assert response.context["results"].failures == every[:4]
    assert "The latest 4 of 6; the file has all." in response.content.decode()
    assert len(table(get(three, part="failures"))) == 6


def test_run_length_lag_and_independence_are_told(three: Cast) -> None:
    shown = figures(get(three))
    facts = dict(shown["own-monitor"].facts)
    assert "once in 500 results" in facts["When nothing is wrong"]
    assert "truly doubled" in facts["When something is"]
    assert "A failure on its day".lower() in facts["Lag"].lower()
    assert NOT_RECORDED in shown["own-learning"].cautions
    factories.corrected(three.oak, independent_since=CLOSED_ON.replace(year=2019))
    again = figures(get(three))["own-learning"]
    assert NOT_RECORDED not in again.cautions
    assert "since 1 Jul 2019" in dict(again.facts)["Independent practice"]


def test_csv_holds_full_precision_for_every_part(three: Cast) -> None:
    results = get(three).context["results"]
    watched = table(get(three, part="monitor"))
    assert [float(row["expected_risk"]) for row in watched] == list(results.judged.monitor.risks)
    ratio = table(get(three, part="expected"))[0]
    assert float(ratio["expected"]) == results.judged.adjusted.ratio.expected
    assert [row["surgeon"] for row in table(get(three, part="funnel"))].count("You") == 1
    files = own_files(results, YOURS, results.failures)
    assert set(files) == {*PARTS}
    for part, (columns, rows) in files.items():
        lines = list(rows)
        assert lines, part
        assert {len(line) for line in lines} == {len(columns)}, part
    assert get(three, part="moon").status_code == 404


def test_under_ten_repairs_there_are_counts_only(cast: Cast) -> None:
    record_courses(cast.unit, cast.oak, courses(8, [0, 1]))
    record_courses(cast.unit, factories.a_surgeon(cast.unit, "elm"), courses(30, range(6)))
    response = get(cast)
    text = response.content.decode()
    assert COUNTS_ONLY in text
    assert response.context["parts"] == []
    assert "%" not in text.split("<main")[1]
    assert (response.context["results"].context.n, response.context["results"].context.events) == (9, 2)
    assert len(response.context["results"].failures) == 2
    assert get(cast, part="funnel").status_code == 404
    assert get(cast, part="failures").status_code == 200


# --- whose ------------------------------------------------------------------------------------


@pytest.mark.parametrize("code", ["elm", "ash", "nobody"])
@pytest.mark.parametrize("part", ["", "curve", "failures"])
def test_a_surgeon_reaches_no_other_by_the_address(three: Cast, code: str, part: str) -> None:
    assert get(three, part=part, surgeon=code).status_code == 404


def test_others_have_neither_code_nor_name_on_a_surgeons_page(three: Cast) -> None:
    text = get(three).content.decode().split("<main")[1]
    for surgeon in Surgeon.objects.exclude(pk=three.oak.pk):
        assert surgeon.name not in text
        assert f">{surgeon.code}<" not in text
        assert f'"{surgeon.code}"' not in text


def test_asking_for_oneself_by_code_is_no_other_page(three: Cast) -> None:
    assert get(three, surgeon="oak").context["whose"] == get(three).context["whose"]


def test_an_audit_lead_sees_codes_only_where_the_unit_agreed(three: Cast) -> None:
    refused = get(three, "audit_lead", surgeon="elm")
    assert refused.status_code == 404
    plain = get(three, "audit_lead").content.decode()
    assert NO_RECORD in plain.replace("&#x27;", "'")
    assert NOBODY_AGREED in plain
    factories.corrected(three.unit, lead_sees_surgeon_results=True)
    assert CHOOSE in get(three, "audit_lead").content.decode()
    response = get(three, "audit_lead", surgeon="elm")
    text = response.content.decode()
    assert "Surgeon elm" in text
    assert "Dr Elm" not in text
    labels = [point.label for point in response.context["results"].judged.funnel.points]
    assert sorted(labels) == ["ash", "elm", "oak"]
    assert get(three, "surgeon", surgeon="elm").status_code == 404, "the policy is for the lead alone"


def test_a_lead_sees_only_what_was_done_in_units_that_agreed(three: Cast) -> None:
    factories.corrected(three.unit, lead_sees_surgeon_results=True)
    elm = Surgeon.objects.get(code="elm")
    elm.units.add(three.other_unit)
    record_courses(three.other_unit, elm, courses(15, range(9)))
    results = get(three, "audit_lead", surgeon="elm").context["results"]
    assert (results.context.n, results.context.events) == (60, 12)


def test_one_other_surgeon_is_neither_drawn_nor_expected_by(cast: Cast) -> None:
    record_courses(cast.unit, cast.oak, courses(30, range(5)))
    record_courses(cast.unit, factories.a_surgeon(cast.unit, "elm"), courses(30, range(6)))
    response = get(cast)
    assert ONE_OTHER in response.context["parts"]
    assert "own-monitor" not in figures(response)
    assert [point.is_own for point in response.context["results"].judged.funnel.points] == [True]


@pytest.mark.parametrize("query", [{"failure": "none"}, {"unit": "southmere"}])
def test_a_bad_filter_names_itself(three: Cast, query: dict[str, str]) -> None:
    response = get(three, **query)
    assert response.status_code == 400
    assert next(iter(query)) in response.context["form"].errors
    assert "results" not in response.context


def test_as_many_queries_for_many_repairs_as_for_few(three: Cast, django_assert_max_num_queries: Any) -> None:
    client = three.client("surgeon")
    with CaptureQueriesContext(connection) as few:
        client.get(reverse("my_results"))
    record_courses(three.unit, three.oak, courses(100, range(3), apart=5))
    with django_assert_max_num_queries(len(few)):
        client.get(reverse("my_results"))
    assert len(few) <= 24

"""The response page: three breakdowns, who sees whom, small numbers, filters, CSV."""

import csv
import io
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import time_machine

from registry.models import Visit
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text

PAGE = "/response/"
HEADED = r'<th scope="row">(.*?)</th>(.*?)</tr>'


@pytest.fixture(autouse=True)
def _fixed_day() -> Iterator[None]:
    # 100 days after the operation of the cast: only the review of 6 weeks is settled.
    with time_machine.travel(datetime(2024, 6, 9, 12, tzinfo=UTC), tick=False):
        yield


def operated(cast: Cast, count: int, answered: int) -> None:
    """More knees like that of the cast, some of them seen at 6 weeks."""
    for number in range(count):
        knee = factories.a_repair(factories.an_operation(cast.unit, cast.oak)).tear.procedure.knee
        if number < answered:
            record(Visit(knee=knee, seen_on=factories.OPERATED_ON + timedelta(days=42)))


def shown(cast: Cast, who: str = "clinician", query: str = "") -> str:
    answer: Any = cast.client(who).get(f"{PAGE}?{query}")
    return text(answer)


def table(cast: Cast, caption: str, who: str = "clinician", query: str = "") -> dict[str, list[str]]:
    part = shown(cast, who, query).split(f"<caption>{caption}")[1].split("</table>")[0]
    return {head: re.findall(r"<td[^>]*>(.*?)</td>", cells) for head, cells in re.findall(HEADED, part)}


def lines(cast: Cast, name: str, who: str = "clinician", query: str = "") -> list[dict[str, str]]:
    response = cast.client(who).get(f"{PAGE}{name}.csv?{query}")
    assert response.status_code == 200
    return list(csv.DictReader(io.StringIO(response.content.decode())))


@pytest.mark.parametrize(
    ("who", "status"),
    [
        ("surgeon", 200), ("colleague", 200), ("clinician", 200), ("audit_lead", 200), ("stranger", 200),
        ("coordinator", 403), ("administrator", 403), ("nobody", 302),
    ],
)  # fmt: skip
@pytest.mark.parametrize("address", [PAGE, f"{PAGE}unit.csv"])
def test_for_who_sees_the_record(cast: Cast, who: str, status: int, address: str) -> None:
    answer = cast.client(who).get(address)
    assert answer.status_code == status
    assert status != 200 or answer.headers["Cache-Control"] == "no-store"


def test_the_share_with_its_interval(cast: Cast) -> None:
    operated(cast, 9, answered=8)
    # 8 of 10; Wilson 49.0 to 94.3 % (Newcombe's formula worked by hand: (8 + 1.92) / 13.84 -+ ...).
    expected = ["10", "8", "0", "80.0 % (49.0 to 94.3)"]
    assert table(cast, "Response by review") == {"6 weeks": expected, "All": expected}
    assert table(cast, "Response by unit") == {"Northmere Hospital": expected}
    (line,) = lines(cast, "unit")
    assert (line["settled"], line["answered"], line["share"]) == ("10", "8", "0.8")


def test_small_groups_are_told_by_counts_alone(cast: Cast) -> None:
    operated(cast, 3, answered=2)
    assert table(cast, "Response by unit") == {"Northmere Hospital": ["4", "2", "0", "too few"]}
    (line,) = lines(cast, "unit")
    assert (line["answered"], line["share"], line["lower_95"]) == ("2", "", "")


def test_a_unit_may_ask_for_larger_groups(cast: Cast) -> None:
    operated(cast, 9, answered=8)
    factories.corrected(cast.unit, smallest_count_shown=11)
    assert table(cast, "Response by unit") == {"Northmere Hospital": ["10", "8", "0", "too few"]}


@pytest.mark.parametrize(
    ("who", "head"),
    [
        ("surgeon", "Dr Oak"),
        ("colleague", "Others, not named"),
        ("clinician", "Others, not named"),
        ("audit_lead", "Others, not named"),
    ],
)
def test_surgeons_by_name_only_to_who_may_see_their_results(cast: Cast, who: str, head: str) -> None:
    assert set(table(cast, "Response by lead surgeon", who)) == {head}
    assert {line["surgeon"] for line in lines(cast, "surgeon", who)} == {head}


def test_another_units_reviews_are_not_counted(cast: Cast) -> None:
    assert table(cast, "Response by unit", "stranger") == {"Southmere Hospital": ["0", "0", "0", "-"]}


def test_filters_live_in_the_address(cast: Cast) -> None:
    for query, settled in (("since=2024-03-02", "0"), ("until=2024-03-01", "1"), ("unit=northmere", "1")):
        assert table(cast, "Response by review", query=query)["All"][0] == settled
    link = 'href="/response/unit.csv?unit=northmere&amp;since=2024-01-01"'
    assert link in shown(cast, query="unit=northmere&since=2024-01-01")


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("unit=southmere", "Select a valid choice"),
        ("since=soon", "Enter"),
        ("since=2024-03-02&until=2024-03-01", "2024-03-01 lies before Operated from, 2024-03-02"),
    ],
)
def test_a_bad_filter_is_refused_in_words(cast: Cast, query: str, words: str) -> None:
    answer = cast.client("clinician").get(f"{PAGE}?{query}")
    assert answer.status_code == 400
    assert words in answer.content.decode()
    assert cast.client("clinician").get(f"{PAGE}unit.csv?{query}").status_code == 404


def test_no_such_breakdown(cast: Cast) -> None:
    assert cast.client("clinician").get(f"{PAGE}zone.csv").status_code == 404


def test_completeness_of_follow_up_and_cautions(cast: Cast) -> None:
    record(Visit(knee=cast.knee, seen_on=factories.OPERATED_ON + timedelta(days=25)))
    said = " ".join(shown(cast).split())
    assert "were followed for 25.0 % of the time" in said
    assert "Follow-up is 25.0 % complete" in said
    assert "Wilson" in said
    assert "Clark" in said

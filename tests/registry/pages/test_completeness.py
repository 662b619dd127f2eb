"""The completeness page: shares by unit, surgeon and requirement, who sees whom, small numbers, CSV."""

import csv
import io
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.models import Surgeon
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text
from tests.registry.whole import whole_operation

PAGE = "/completeness/"
QUERIES = 12
LATELY = date(2024, 5, 2)


@pytest.fixture(autouse=True)
def _fixed_day() -> Iterator[None]:
    with time_machine.travel(datetime(2024, 6, 15, 12, tzinfo=UTC), tick=False):
        yield


def page(cast: Cast, who: str = "surgeon", query: str = "") -> str:
    return text(cast.client(who).get(f"{PAGE}?{query}"))


def table(cast: Cast, caption: str, who: str = "surgeon", query: str = "") -> dict[str, list[str]]:
    """The rows of one table by their heading."""
    shown = page(cast, who, query).split(f"<caption>{caption}")[1].split("</table>")[0]
    rows = re.findall(r'<th scope="row">(.*?)</th>(.*?)</tr>', shown)
    return {head: re.findall(r"<td[^>]*>(.*?)</td>", cells) for head, cells in rows}


def lines(cast: Cast, name: str, who: str = "surgeon", query: str = "") -> list[dict[str, str]]:
    response = cast.client(who).get(f"{PAGE}{name}.csv?{query}")
    assert response.status_code == 200
    return list(csv.DictReader(io.StringIO(response.content.decode())))


def operate(cast: Cast, count: int, lacking: int = 0, surgeon: Surgeon | None = None) -> None:
    """So many operations of this quarter, some of them without a BMI."""
    for number in range(count):
        bmi = {"bmi": None} if number < lacking else {}
        leads = {"lead_surgeon": surgeon} if surgeon else {}
        procedure = whole_operation(cast, {"operated_on": LATELY, **bmi})
        if leads:
            factories.corrected(procedure, **leads)


# --- Who sees what -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("who", "status"),
    [
        ("surgeon", 200), ("colleague", 200), ("clinician", 200), ("audit_lead", 200), ("stranger", 200),
        ("coordinator", 403), ("administrator", 403), ("nobody", 302),
    ],
)  # fmt: skip
@pytest.mark.parametrize("address", [PAGE, f"{PAGE}unit.csv"])
def test_who_sees_the_record_sees_how_complete_it_is(cast: Cast, who: str, status: int, address: str) -> None:
    assert cast.client(who).get(address).status_code == status


def test_kept_by_no_cache(cast: Cast) -> None:
    for address in (PAGE, f"{PAGE}unit.csv"):
        assert "no-store" in cast.client("surgeon").get(address).headers["Cache-Control"]


def test_another_units_operations_are_not_counted(cast: Cast) -> None:
    operate(cast, 6)
    assert "Northmere" not in page(cast, "stranger")
    assert table(cast, "Complete operations by unit", "stranger")["Southmere Hospital"][-1] == "none"
    assert cast.client("stranger").get(f"{PAGE}?unit=northmere").status_code == 400
    assert cast.client("stranger").get(f"{PAGE}unit.csv?unit=northmere").status_code == 404


def by_surgeon(cast: Cast, who: str) -> list[str]:
    return list(table(cast, "Complete operations by lead surgeon", who))


def test_surgeons_go_by_name_only_to_those_who_may_see_their_results(cast: Cast) -> None:
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    operate(cast, 6)
    operate(cast, 5, surgeon=elm)
    assert by_surgeon(cast, "surgeon") == ["Dr Oak", "Others, not named"]
    assert by_surgeon(cast, "colleague") == ["Dr Elm", "Others, not named"]
    assert by_surgeon(cast, "clinician") == by_surgeon(cast, "audit_lead") == ["Others, not named"]
    assert {line["surgeon"] for line in lines(cast, "surgeon", "clinician")} == {"Others, not named"}
    factories.corrected(cast.unit, lead_sees_surgeon_results=True)
    assert by_surgeon(cast, "audit_lead") == ["Dr Elm", "Dr Oak"]
    assert by_surgeon(cast, "clinician") == ["Others, not named"]


# --- Counts ------------------------------------------------------------------------------------


def test_shares_by_unit_surgeon_and_requirement(cast: Cast) -> None:
    operate(cast, 8, lacking=2)
    of_unit = table(cast, "Complete operations by unit")["Northmere Hospital"]
    # The one operation of the cast, of the quarter before, is too few to be told by itself.
    assert of_unit == ["none"] * 6 + ["fewer than 5", "75.0 % of 8", "66.7 % of 9"]
    assert table(cast, "Complete operations by lead surgeon")["Dr Oak"][-1] == "66.7 % of 9"
    asked = table(cast, "On record, by what was asked, 2022 Q3 to 2024 Q2")
    assert asked["BMI"] == ["66.7 % of 9"]
    assert asked["Vascular zone (tears)"] == ["100.0 % of 9"]
    assert asked["Suture passes (repairs)"] == ["88.9 % of 9"]
    assert asked["Signature, not counted"] == ["0.0 % of 9"]
    assert asked["Ramp type (tears)"] == ["none"]


def test_numbers_below_the_units_smallest_are_not_told(cast: Cast) -> None:
    operate(cast, 4)
    told = table(cast, "Complete operations by unit")["Northmere Hospital"]
    assert told[-2:] == ["fewer than 5", "80.0 % of 5"]
    factories.corrected(cast.unit, smallest_count_shown=6)
    shown = page(cast)
    assert "fewer than 6" in shown
    assert " % of " not in shown
    assert all(line["complete"] == "" for line in lines(cast, "unit") if line["asked"] != "0")
    factories.corrected(cast.unit, smallest_count_shown=1)
    assert "fewer than" not in page(cast)


def test_filters_live_in_the_address(cast: Cast) -> None:
    operate(cast, 6)
    earlier = table(cast, "Complete operations by unit", query="until=2024-Q1&unit=northmere")
    assert earlier["Northmere Hospital"][-1] == "fewer than 5"
    told = page(cast, query="until=2024-Q1&unit=northmere")
    assert 'href="/completeness/unit.csv?until=2024-Q1&amp;unit=northmere"' in told
    assert '<option value="2024-Q1" selected>2024 Q1</option>' in told


@pytest.mark.parametrize("query", ["until=2024-Q3", "until=2023-Q4", "until=x", "unit=nowhere"])
def test_a_filter_that_is_none_is_refused_in_words(cast: Cast, query: str) -> None:
    response = cast.client("surgeon").get(f"{PAGE}?{query}")
    assert response.status_code == 400
    assert "not one of the available choices" in text(response)
    assert "<table>" not in text(response)


def test_as_csv_with_plain_numbers(cast: Cast) -> None:
    operate(cast, 8, lacking=2)
    assert lines(cast, "unit")[-2:] == [
        {"unit": "Northmere Hospital", "period": "2024 Q2", "asked": "8", "complete": "6", "share": "0.75"},
        {
            "unit": "Northmere Hospital",
            "period": "All eight",
            "asked": "9",
            "complete": "6",
            "share": str(6 / 9),
        },
    ]
    assert lines(cast, "unit")[-3]["asked"] == "fewer than 5"
    assert {line["requirement"] for line in lines(cast, "requirement")} >= {"BMI", "Length (tears)"}
    assert cast.client("surgeon").get(f"{PAGE}weather.csv").status_code == 404


def test_no_operations_yet(cast: Cast) -> None:
    shown = table(cast, "Complete operations by unit", "stranger")
    assert shown == {"Southmere Hospital": ["none"] * 9}


def test_the_number_of_queries_does_not_grow_with_the_record(cast: Cast) -> None:
    client = cast.client("surgeon")

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert client.get(PAGE).status_code == 200
        return len(captured)

    operate(cast, 1)
    few = queries()
    operate(cast, 11)
    assert queries() == few <= QUERIES

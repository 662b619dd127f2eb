"""How sure the record is, as a page: who sees it, of which unit, small numbers, cautions, CSV, queries."""

import csv
import io
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from outcomes.charts.figure import Figure
from registry.models import TearReading, Unit
from tests import factories
from tests.conftest import Cast
from tests.outcomes.findings import LOOK_DAY, a_look, a_reading, a_visit, an_image, repaired

PARTS = ("readers", "clinic", "imaging")


def figures(cast: Cast, who: str = "surgeon", **query: str) -> list[Figure]:
    answer: Any = cast.client(who).get(reverse("how_sure"), query)
    assert answer.status_code == 200
    return list(answer.context["figures"])


def lines(cast: Cast, part: str, who: str = "surgeon", **query: str) -> list[dict[str, str]]:
    answer = cast.client(who).get(reverse("how_sure_csv", args=[part]), query)
    assert answer.status_code == 200
    return list(csv.DictReader(io.StringIO(answer.content.decode())))


def row(figure: Figure, head: str) -> tuple[str, ...]:
    return next(cells for cells in figure.table.rows if cells[0] == head)


def filled(cast: Cast, n: int) -> None:
    """So many tears read twice, alike but for one in the rim; seen, imaged and looked at, one not healed."""
    elm = factories.a_surgeon(cast.unit, f"elm-{TearReading.objects.count()}")
    for number, repair in enumerate(repaired(cast, n, rim_zone=1, depth="complete")):
        a_reading(repair, elm, rim_zone=2 if number == 0 else 1)
        a_visit(repair, LOOK_DAY - 20, mcmurray=number == 0)
        an_image(repair, LOOK_DAY - 10, "healed")
        a_look(repair, thickness=0 if number == 0 else 100)


@pytest.mark.parametrize(
    ("who", "status"),
    [
        ("surgeon", 200), ("colleague", 200), ("clinician", 200), ("audit_lead", 200), ("coordinator", 200),
        ("stranger", 200), ("administrator", 403), ("nobody", 302),
    ],
)  # fmt: skip
def test_for_who_sees_figures(cast: Cast, who: str, status: int) -> None:
    for address in ("/how-sure/", "/how-sure/readers.csv"):
        answer = cast.client(who).get(address)
        assert answer.status_code == status
        assert status != 200 or answer.headers["Cache-Control"] == "no-store"


def test_kappa_with_its_interval_beside_the_published_one(cast: Cast) -> None:
    filled(cast, 10)
    readers, clinic, imaging = figures(cast)
    # 9 of 10: Wilson 59.6 to 98.2 % (from the formula). Kappa 0: agreement by chance is 0.9 as well.
    assert row(readers, "Rim width") == (
        "Rim width", "10", "9", "90.0 % (59.6 to 98.2)", "0.00 (0.00 to 0.00)", "54 %", "0.25", "0"
    )  # fmt: skip
    assert row(readers, "Vascular zone")[5:7] == ("-", "-")
    assert row(readers, "Pattern")[4] == "-"  # all tears alike: chance explains all
    here, beside = readers.plot["data"]
    assert (here["marker"]["symbol"], beside["marker"]["symbol"]) == ("circle", "diamond-open")
    assert beside["x"] == [0.72, 0.52, 0.46, 0.25, 0.47]
    assert row(clinic, "All three signs absent")[1:3] == ("10", "9 of 9: 100.0 % (70.1 to 100.0)")
    assert row(clinic, "All three signs absent")[3] == "1 of 1: too few"
    assert row(imaging, "Healed or partly so")[4] == "9 of 10: 90.0 % (59.6 to 98.2)"


def test_cautions_stand_with_the_figures(cast: Cast) -> None:
    readers, clinic, imaging = figures(cast)
    assert "kappa 0.25, 8 surgeons, 37 videos" in readers.cautions[0]
    assert "Every figure split by zone carries that caution" in readers.cautions[0]
    assert "only the absence of joint-line tenderness" in clinic.cautions[0]
    assert not any("tenderness" in caution for caution in imaging.cautions)
    said = cast.client("surgeon").get("/how-sure/").content.decode()
    assert said.count('class="caution"') == 2  # nobody was looked at, so imaging has none


def test_small_numbers_are_told_by_counts_alone(cast: Cast) -> None:
    filled(cast, 4)
    for figure in figures(cast):
        assert figure.plot == {}
        assert "too few" in figure.title
        assert not any("%" in cell for cells in figure.table.rows for cell in (*cells[:5], cells[-1]))
    assert row(figures(cast)[0], "Depth")[1:5] == ("4", "4", "too few", "too few")
    depth = next(line for line in lines(cast, "readers") if line["field"] == "depth")
    assert (depth["tears"], depth["agree"], depth["agreement"], depth["kappa"]) == ("4", "4", "", "")
    assert {line["estimate"] for part in ("clinic", "imaging") for line in lines(cast, part)} == {""}


def test_csv_at_full_precision(cast: Cast) -> None:
    filled(cast, 10)
    rim = next(line for line in lines(cast, "readers") if line["field"] == "rim_zone")
    assert (rim["tears"], rim["agree"], rim["agreement"], rim["published_kappa"]) == (
        "10",
        "9",
        "0.9",
        "0.25",
    )
    # Wilson of 9/10 from the formula.
    assert float(rim["agreement_lower_95"]) == pytest.approx(0.5958499732047615, rel=1e-9)
    found = {(line["finding"], line["measure"]): line for line in lines(cast, "clinic")}
    assert (found["signs", "sensitivity"]["x"], found["signs", "sensitivity"]["estimate"]) == ("9", "1.0")
    assert found["signs", "specificity"]["estimate"] == ""
    assert found["signs", "kappa"]["estimate"] == "1.0"


def test_the_unit_comes_from_the_address(cast: Cast) -> None:
    filled(cast, 5)
    factories.a_person("both", ("surgeon", cast.unit), ("surgeon", cast.other_unit))
    assert row(figures(cast, unit="northmere")[0], "Pattern")[1] == "5"
    assert row(figures(cast, "stranger")[0], "Pattern")[1] == "0"
    figure = figures(cast, unit="northmere")[0]
    assert figure.csv_url == "/how-sure/readers.csv?unit=northmere"
    for code in ("southmere", "nowhere"):
        answer = cast.client("surgeon").get("/how-sure/", {"unit": code})
        assert answer.status_code == 400
        assert "Select a valid choice" in answer.content.decode()
        assert cast.client("surgeon").get("/how-sure/clinic.csv", {"unit": code}).status_code == 404


def test_no_such_part(cast: Cast) -> None:
    assert cast.client("surgeon").get("/how-sure/surgeons.csv").status_code == 404


def test_no_surgeon_is_named(cast: Cast) -> None:
    filled(cast, 5)
    said = cast.client("audit_lead").get("/how-sure/").content.decode().lower()
    assert "dr elm" not in said
    assert "dr oak" not in said


def test_the_same_number_of_queries_however_many_tears(cast: Cast) -> None:
    client = cast.client("surgeon")

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert client.get("/how-sure/").status_code == 200
        return len(captured)

    few = queries()
    filled(cast, 8)
    assert queries() == few <= 30
    assert Unit.objects.count() == 2

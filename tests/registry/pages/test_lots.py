"""Lot look-up: whom a recall concerns, every look-up logged, and no identity in what leaves the site."""

import csv
import io
from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.models import Identity, Implant, IndexProcedure, LotLookUp
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text

# Check digits worked out by hand (GS1 General Specifications 7.9: weights 3 and 1 from the right).
DEVICE, OTHER_DEVICE = "04012345678901", "09506000134352"
WHY = {"reason": "Recall notice 12"}


def an_implant(procedure: IndexProcedure, **fields: Any) -> Implant:
    implant = Implant(procedure=procedure, **{"device_identifier": DEVICE, "lot": "A12b-7", **fields})
    record(implant)
    return implant


@pytest.fixture
def implant(cast: Cast) -> Implant:
    return an_implant(cast.repair.tear.procedure, serial="S1", expires_on=date(2027, 6, 30), count=2)


def look_up(cast: Cast, who: str = "surgeon", path: str = "/lots/", **typed: str) -> Any:
    return cast.client(who).post(path, {**WHY, **typed})


def lines(response: Any) -> list[dict[str, str]]:
    assert response.status_code == 200
    return list(csv.DictReader(io.StringIO(response.content.decode())))


def is_found(cast: Cast, response: Any) -> bool:
    return f"/knees/{cast.knee.uuid}/" in text(response)


# --- Finding -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "typed",
    [
        {"lot": "A12b-7"},
        {"device_identifier": DEVICE},
        {"device_identifier": DEVICE.removeprefix("0")},
        {"lot": "A12b-7", "device_identifier": DEVICE},
        {"label": f"(01){DEVICE}(10)A12b-7"},
        {"label": f"(01){DEVICE}"},
        {"label": f"(01){DEVICE}(10)A12b-7", "lot": "A12b-7"},
    ],
    ids=str,
)
@pytest.mark.usefixtures("implant")
def test_a_knee_is_found_by_lot_device_or_label(cast: Cast, typed: dict[str, str]) -> None:
    response = look_up(cast, **typed)
    assert response.status_code == 200
    assert is_found(cast, response)
    shown = text(response)
    for told in (
        "Left knee of patient",
        "1 Mar 2024",
        "Northmere Hospital",
        DEVICE,
        "A12b-7",
        "S1",
        "30 Jun 2027",
    ):
        assert told in shown
    assert '<td class="number">2</td>' in shown


@pytest.mark.parametrize(
    "typed",
    [
        {"lot": "A12B-7"},
        {"lot": "A12b"},
        {"lot": "S1"},
        {"lot": "%"},
        {"device_identifier": OTHER_DEVICE},
        {"lot": "A12b-7", "device_identifier": OTHER_DEVICE},
    ],
    ids=str,
)
@pytest.mark.usefixtures("implant")
def test_what_is_not_exactly_it_is_not_found(cast: Cast, typed: dict[str, str]) -> None:
    response = look_up(cast, **typed)
    assert response.status_code == 200
    assert not is_found(cast, response)
    assert "No knee with" in text(response)
    assert "never recorded" in text(response)


@pytest.mark.parametrize(
    ("lot", "asked"), [("a12B-7", True), ("A1 2b-7", True), ("A12b7", False), ("A12b_7", False)]
)
@pytest.mark.usefixtures("implant")
def test_a_lot_written_otherwise_is_offered_as_a_question(cast: Cast, lot: str, asked: bool) -> None:
    shown = text(look_up(cast, lot=lot))
    assert ("Is it one of these that you mean?" in shown) is asked
    assert ("Lot A12b-7" in shown) is asked


@pytest.mark.usefixtures("implant")
def test_a_lot_written_otherwise_is_offered_beside_what_was_found(cast: Cast) -> None:
    an_implant(factories.an_operation(cast.unit, cast.oak), lot="a12b-7")
    shown = text(look_up(cast, lot="A12b-7"))
    assert "1 knee with lot A12b-7" in shown
    assert "Lot a12b-7" in shown


@pytest.mark.usefixtures("implant")
def test_the_lot_under_another_identifier_is_offered(cast: Cast) -> None:
    shown = text(look_up(cast, lot="A12b-7", device_identifier=OTHER_DEVICE))
    assert "Lot A12b-7 of any device" in shown


def test_a_knee_counts_once_however_many_implants_it_holds(cast: Cast, implant: Implant) -> None:
    an_implant(implant.procedure, serial="S2")
    shown = text(look_up(cast, lot="A12b-7"))
    assert "1 knee with lot A12b-7" in shown
    assert "2 entries" in shown
    assert LotLookUp.objects.get().knees_found == 1


def test_what_was_withdrawn_is_not_found(cast: Cast, implant: Implant) -> None:
    other = an_implant(factories.an_operation(cast.unit, cast.oak))
    factories.withdrawn(implant)
    factories.withdrawn(other.procedure)
    assert "No knee with lot A12b-7" in text(look_up(cast, lot="A12b-7"))


@pytest.mark.usefixtures("implant")
def test_another_units_implants_stay_there(cast: Cast) -> None:
    yew = factories.a_surgeon(cast.other_unit, "yew", cast.stranger)
    abroad = an_implant(factories.an_operation(cast.other_unit, yew))
    foreign = text(look_up(cast, "stranger", lot="A12b-7"))
    assert str(abroad.procedure.knee.uuid) in foreign
    assert str(cast.knee.uuid) not in foreign
    assert [line["unit"] for line in lines(look_up(cast, path="/lots/csv/", lot="A12b-7"))] == ["northmere"]


# --- Refusing in words -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({}, "Nothing to look for. Enter a lot or a device identifier, or scan the label."),
        ({"lot": "A12b-7", "reason": "  "}, "Reason is missing. Enter it."),
        ({"lot": "Ä12"}, "'Ä12' holds 'Ä', which no label carries. Correct it."),
        ({"lot": "x" * 21}, "at most 20 characters"),
        ({"device_identifier": "4012345678902"}, "check digit 2, where 1 is due"),
        ({"device_identifier": "12345"}, "is not a number of 8, 12, 13 or 14 digits"),
        ({"label": "hello"}, "starts with no application identifier that GS1 knows"),
        (
            {"label": f"(01){DEVICE}(10)A1", "lot": "A2"},
            "The label says A1, and A2 was typed. Clear one of them.",
        ),
        ({"lot": "A\x00B"}, "Null characters are not allowed."),
    ],
    ids=str,
)
@pytest.mark.parametrize("path", ["/lots/", "/lots/csv/"])
@pytest.mark.usefixtures("implant")
def test_bad_input_is_refused_and_looks_nothing_up(
    cast: Cast, typed: dict[str, str], said: str, path: str
) -> None:
    response = look_up(cast, path=path, **typed)
    assert response.status_code == 422
    assert said in text(response)
    assert not is_found(cast, response)
    assert not LotLookUp.objects.exists()


# --- Logged ------------------------------------------------------------------------------------


@pytest.mark.usefixtures("implant")
@pytest.mark.parametrize("path", ["/lots/", "/lots/csv/"])
@pytest.mark.parametrize(("lot", "knees"), [("A12b-7", 1), ("A99", 0)])
def test_every_look_up_is_logged_found_or_not(cast: Cast, path: str, lot: str, knees: int) -> None:
    look_up(cast, "audit_lead", path, lot=lot, device_identifier=DEVICE)
    kept = LotLookUp.objects.get()
    assert (kept.user, kept.lot, kept.device_identifier) == (cast.audit_lead, lot, DEVICE)
    assert (kept.reason, kept.knees_found) == ("Recall notice 12", knees)


@pytest.mark.usefixtures("implant")
def test_a_look_up_by_device_alone_is_logged_without_a_lot(cast: Cast) -> None:
    look_up(cast, device_identifier=DEVICE)
    assert LotLookUp.objects.get().lot == ""


def test_recent_look_ups_are_listed_to_people_of_the_unit_alone(cast: Cast) -> None:
    look_up(cast, lot="A99")
    colleagues = text(cast.client("audit_lead").get("/lots/"))
    for told in ("oak", "A99", "Recall notice 12", '<td class="number">0</td>'):
        assert told in colleagues
    assert "Recall notice 12" not in text(cast.client("stranger").get("/lots/"))


# --- The file ----------------------------------------------------------------------------------


def test_the_file_holds_what_the_page_shows_and_no_identity(cast: Cast, implant: Implant) -> None:
    record(Identity.sealed(cast.knee.patient, hospital_number="NM 0042", family_name="Zwaxvree"))
    response = look_up(cast, path="/lots/csv/", lot="A12b-7")
    assert lines(response) == [
        {
            "knee": str(cast.knee.uuid),
            "side": "left",
            "operated_on": "2024-03-01",
            "unit": "northmere",
            "device_identifier": DEVICE,
            "lot": "A12b-7",
            "serial": "S1",
            "expires_on": "2027-06-30",
            "count": "2",
        }
    ]
    for kept_away in ("NM 0042", "Zwaxvree", str(implant.procedure.knee.patient.uuid), "1995"):
        assert kept_away not in response.content.decode()
    assert response.headers["Content-Disposition"] == 'attachment; filename="lot-look-up.csv"'
    assert "no-store" in response.headers["Cache-Control"]


@pytest.mark.parametrize("start", list("=+-"))
def test_a_lot_is_no_formula_to_a_spreadsheet(cast: Cast, start: str) -> None:
    lot, serial = f"{start}1+1", f'{start}HYPERLINK("x")'[:20]
    an_implant(cast.repair.tear.procedure, lot=lot, serial=serial)
    (line,) = lines(look_up(cast, path="/lots/csv/", lot=lot))
    assert (line["lot"], line["serial"]) == (f"'{lot}", f"'{serial}")


def test_nothing_found_is_a_file_with_its_heading_alone(cast: Cast) -> None:
    response = look_up(cast, path="/lots/csv/", lot="A99")
    assert lines(response) == []
    assert response.content.decode().startswith("knee,side,operated_on,unit,device_identifier,lot,serial")


# --- Whose page it is --------------------------------------------------------------------------

ROLES = {
    "surgeon": 200,
    "audit_lead": 200,
    "stranger": 200,
    "clinician": 403,
    "coordinator": 403,
    "administrator": 403,
    "nobody": 302,
}


@pytest.mark.parametrize(("who", "status"), ROLES.items())
def test_role_and_page(cast: Cast, who: str, status: int) -> None:
    assert cast.client(who).get("/lots/").status_code == status
    assert look_up(cast, who, lot="A99").status_code == status
    assert look_up(cast, who, "/lots/csv/", lot="A99").status_code == status
    assert LotLookUp.objects.count() == (2 if status == 200 else 0)


def test_a_link_downloads_nothing(cast: Cast) -> None:
    assert cast.client("surgeon").get("/lots/csv/?lot=A12b-7&reason=x").status_code == 405


def test_no_cache_keeps_it(cast: Cast) -> None:
    assert "no-store" in cast.client("surgeon").get("/lots/").headers["Cache-Control"]
    assert "no-store" in look_up(cast, lot="A99").headers["Cache-Control"]


@pytest.mark.usefixtures("implant")
def test_more_implants_ask_no_more_queries(cast: Cast) -> None:
    def queries(path: str) -> int:
        client = cast.client("surgeon")
        with CaptureQueriesContext(connection) as asked:
            assert client.post(path, {**WHY, "lot": "A12b-7"}).status_code == 200
        return len(asked)

    before = [queries(path) for path in ("/lots/", "/lots/csv/")]
    for _ in range(4):
        an_implant(factories.an_operation(cast.unit, cast.oak))
    assert [queries(path) for path in ("/lots/", "/lots/csv/")] == before

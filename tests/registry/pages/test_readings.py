"""Second readings: who reads what, and that no page gives the first reading away."""

import re
from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from registry.models import Correction, Surgeon, Tear, TearReading
from registry.recording import record
from registry.vocabulary import Depth, Pattern, RadialLocation, RimZone, Tissue, VascularZone
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text

READING = {
    "pattern": "radial",
    "depth": "partial",
    "radial_location": "middle",
    "rim_zone": "3",
    "vascular_zone": "WW",
    "tissue": "frayed",
    "unseen": "on",
}
FIRST = {
    "pattern": "horizontal",
    "depth": "complete",
    "radial_location": "anterior",
    "rim_zone": 2,
    "vascular_zone": "RW",
    "tissue": "degenerate",
    "length_mm": 37,
    "with_flap": True,
}
SELECT = re.compile(r"<select.*?</select>")
CSRF = re.compile(r'name="csrfmiddlewaretoken" value="[^"]*"')
CODED = (Pattern, Depth, RadialLocation, RimZone, VascularZone, Tissue)


@pytest.fixture
def elm(cast: Cast) -> Surgeon:
    return factories.a_surgeon(cast.unit, "elm", cast.colleague)


@pytest.fixture
def tear(cast: Cast, elm: Surgeon) -> Tear:
    factories.corrected(cast.repair.tear, **FIRST)
    return cast.repair.tear


def read(cast: Cast, tear: Tear, who: str = "colleague", **changes: str) -> Any:
    return cast.client(who).post(f"/readings/{tear.uuid}/", {**READING, **changes})


# --- Who reads what ----------------------------------------------------------------------------


def test_a_colleague_is_offered_the_tear_and_who_operated_is_not(cast: Cast, tear: Tear) -> None:
    address = f"/readings/{tear.uuid}/"
    assert address in text(cast.client("colleague").get("/readings/"))
    assert address not in text(cast.client("surgeon").get("/readings/"))


def test_who_repaired_for_another_is_not_offered_it(cast: Cast, elm: Surgeon) -> None:
    procedure = factories.an_operation(cast.unit, cast.oak, repaired_by=elm)
    tear = factories.a_tear(procedure)
    assert f"/readings/{tear.uuid}/" not in text(cast.client("colleague").get("/readings/"))
    refused = cast.client("colleague").get(f"/readings/{tear.uuid}/")
    assert refused.status_code == 403
    assert "You were at the operation on this tear" in text(refused)


@pytest.mark.parametrize("method", ["get", "post"])
def test_who_operated_is_refused_in_words(cast: Cast, tear: Tear, method: str) -> None:
    response = getattr(cast.client("surgeon"), method)(f"/readings/{tear.uuid}/", READING)
    assert response.status_code == 403
    assert "You were at the operation on this tear. A second reading is another surgeon's" in text(response)
    assert not TearReading.objects.exists()


@pytest.mark.usefixtures("elm")
@pytest.mark.parametrize(
    ("who", "status"),
    [
        ("stranger", 404),
        ("clinician", 403),
        ("audit_lead", 403),
        ("coordinator", 403),
        ("administrator", 403),
        ("nobody", 302),
    ],
)
@pytest.mark.parametrize("method", ["get", "post"])
def test_it_stays_closed_to_others(cast: Cast, who: str, status: int, method: str) -> None:
    factories.a_surgeon(cast.other_unit, "yew", cast.stranger)
    address = f"/readings/{cast.repair.tear.uuid}/"
    assert getattr(cast.client(who), method)(address, READING).status_code == status
    assert cast.client(who).post(f"{address}withdraw/", {"reason": "curious"}).status_code == status
    assert not TearReading.objects.exists()


@pytest.mark.usefixtures("elm")
def test_a_tear_that_does_not_exist(cast: Cast) -> None:
    assert cast.client("colleague").get(f"/readings/{uuid4()}/").status_code == 404


def test_a_tear_withdrawn_is_read_no_more(cast: Cast, tear: Tear) -> None:
    factories.withdrawn(tear.procedure)
    assert "No tear is left" in text(cast.client("colleague").get("/readings/"))
    assert cast.client("colleague").get(f"/readings/{tear.uuid}/").status_code == 404


def test_a_surgeon_without_an_entry_is_told_whom_to_ask(cast: Cast) -> None:
    listed = cast.client("colleague").get("/readings/")
    assert listed.status_code == 200
    assert "not linked to a surgeon's entry" in text(listed)
    assert read(cast, cast.repair.tear).status_code == 403
    assert not TearReading.objects.exists()


# --- What is shown -----------------------------------------------------------------------------


def test_no_page_gives_the_first_reading_away(cast: Cast, tear: Tear) -> None:
    """Outside the lists of choices stands no label of the first reading, and in them nothing is chosen."""
    pages = [text(cast.client("colleague").get(path)) for path in ("/readings/", f"/readings/{tear.uuid}/")]
    said = [
        coded(getattr(tear, name)).label.lower() for coded, name in zip(CODED, TearReading.READ, strict=True)
    ]
    for page in pages:
        outside = SELECT.sub("", page.split("<main")[1].split("</main>")[0]).lower()
        assert not [label for label in [*said, "flap", str(cast.knee.uuid)] if label in outside]
    assert pages[1].count("<select") == len(said)
    assert re.findall(r"<option[^>]*selected[^>]*>", pages[1]) == ['<option value="" selected>'] * len(said)
    assert "checked" not in pages[1]


def test_another_first_reading_gives_the_same_pages(cast: Cast, tear: Tear) -> None:
    client = cast.client("colleague")
    paths = ("/readings/", f"/readings/{tear.uuid}/")

    def pages() -> list[str]:
        return [CSRF.sub("", text(client.get(path))) for path in paths]

    before = pages()
    factories.corrected(
        tear, **{name: READING[name] for name in TearReading.READ}, length_mm=12, with_flap=False
    )
    assert pages() == before


def test_it_shows_what_finds_the_pictures(cast: Cast, tear: Tear) -> None:
    for page in ("/readings/", f"/readings/{tear.uuid}/"):
        shown = text(cast.client("colleague").get(page))
        for told in ("Left", "Medial", "1 Mar 2024", "Northmere Hospital", str(tear.uuid)[:8]):
            assert told in shown


def test_the_caution_of_rim_width_comes_with_its_source(cast: Cast, tear: Tear) -> None:
    form = text(cast.client("colleague").get(f"/readings/{tear.uuid}/"))
    assert "kappa 0.25" in form
    assert "AJSM 2011;39:926-32" in form


# --- Reading -----------------------------------------------------------------------------------


def test_a_reading_is_kept_with_who_made_it_and_the_next_tear_follows(
    cast: Cast, tear: Tear, elm: Surgeon
) -> None:
    earlier = factories.an_operation(cast.unit, cast.oak, operated_on=date(2023, 1, 9))
    following = factories.a_tear(earlier)
    response = read(cast, tear)
    assert response.headers["Location"] == f"/readings/{following.uuid}/"
    made = TearReading.objects.get()
    assert (made.tear, made.reader, made.recorded_by) == (tear, elm, cast.colleague)
    assert [str(getattr(made, name)) for name in TearReading.READ] == list(READING.values())[:-1]
    assert read(cast, following).headers["Location"] == "/readings/"


def test_thanks_are_said(cast: Cast, tear: Tear) -> None:
    page = cast.client("colleague").post(f"/readings/{tear.uuid}/", READING, follow=True)
    assert "Thank you, your reading is recorded. No tear is left for you to read." in text(page)


def test_the_first_reading_stays_the_record(cast: Cast, tear: Tear) -> None:
    read(cast, tear)
    tear.refresh_from_db()
    assert {name: getattr(tear, name) for name in FIRST} == FIRST


@pytest.mark.parametrize("missing", list(READING))
def test_every_field_is_needed(cast: Cast, tear: Tear, missing: str) -> None:
    response = read(cast, tear, **{missing: ""})
    assert response.status_code == 422
    assert ("Tick this only if it is so" if missing == "unseen" else "is missing. Enter it.") in text(
        response
    )
    assert not TearReading.objects.exists()


@pytest.mark.parametrize(
    ("name", "value"), [("pattern", "spiral"), ("rim_zone", "4"), ("vascular_zone", "BW")]
)
def test_a_code_of_no_list_is_refused(cast: Cast, tear: Tear, name: str, value: str) -> None:
    response = read(cast, tear, **{name: value})
    assert response.status_code == 422
    assert value in text(response)
    assert not TearReading.objects.exists()


def test_a_ramp_lesion_is_medial(cast: Cast, elm: Surgeon) -> None:
    tear = factories.a_tear(cast.repair.tear.procedure, meniscus="lateral")
    response = read(cast, tear, pattern="ramp")
    assert response.status_code == 422
    assert "ramp lesions are medial. Choose another pattern." in text(response)


def test_sent_twice_it_is_one_reading(cast: Cast, tear: Tear) -> None:
    assert read(cast, tear).status_code == read(cast, tear).status_code == 302
    assert TearReading.objects.count() == 1


def test_a_second_thought_is_not_a_second_reading(cast: Cast, tear: Tear) -> None:
    read(cast, tear)
    response = read(cast, tear, pattern="complex")
    assert response.status_code == 422
    assert "that reading stands. To read it anew, withdraw it first." in text(response)
    assert TearReading.objects.get().pattern == "radial"


def test_the_database_holds_it_too(cast: Cast, tear: Tear, elm: Surgeon) -> None:
    values = {name: READING[name] for name in TearReading.READ}
    record(TearReading(tear=tear, reader=elm, **values))
    for reader in (elm, cast.oak):
        with pytest.raises(IntegrityError), transaction.atomic():
            TearReading(tear=tear, reader=reader, **values).save()


# --- One's own readings ------------------------------------------------------------------------


def test_what_i_read_is_listed_to_me_alone(cast: Cast, tear: Tear) -> None:
    read(cast, tear)
    address = f"/readings/{tear.uuid}/"
    assert address in text(cast.client("colleague").get("/readings/?show=mine"))
    assert address not in text(cast.client("colleague").get("/readings/"))
    own = text(cast.client("colleague").get(address))
    assert "Zone 3 (5 mm or more)" in own
    assert "Zone 2" not in own
    assert "made no second reading yet" in text(cast.client("surgeon").get("/readings/?show=mine"))


def test_a_reading_is_withdrawn_with_a_reason_and_can_be_made_anew(cast: Cast, tear: Tear) -> None:
    read(cast, tear)
    client = cast.client("colleague")
    address = f"/readings/{tear.uuid}/withdraw/"
    assert client.post(address, {"reason": " "}).status_code == 422
    assert TearReading.objects.exists()
    assert client.post(address, {"reason": "Wrong pictures"}).status_code == 302
    assert not TearReading.objects.exists()
    told = Correction.objects.get(row_table="registry_tearreading")
    assert (told.kind, told.reason, told.made_by) == ("withdrawn", "Wrong pictures", cast.colleague)
    assert read(cast, tear, pattern="complex").status_code == 302
    assert TearReading.objects.get().pattern == "complex"
    assert TearReading.ever.count() == 2


def test_another_surgeons_reading_is_not_mine_to_withdraw(cast: Cast, tear: Tear) -> None:
    read(cast, tear)
    response = cast.client("surgeon").post(f"/readings/{tear.uuid}/withdraw/", {"reason": "I disagree"})
    assert response.status_code == 404
    assert TearReading.objects.exists()


# --- The list ----------------------------------------------------------------------------------


@pytest.mark.usefixtures("elm")
def test_the_list_is_paged_newest_first(cast: Cast) -> None:
    for days in range(1, 27):
        operated_on = factories.OPERATED_ON - timedelta(days=days)
        factories.a_tear(factories.an_operation(cast.unit, cast.oak, operated_on=operated_on))
    first, second = (text(cast.client("colleague").get(f"/readings/?page={page}")) for page in (1, 2))
    assert "1 to 25 of 27" in first
    assert "26 to 27 of 27" in second
    assert first.index("1 Mar 2024") < first.index("29 Feb 2024")
    assert "4 Feb 2024" in second


@pytest.mark.usefixtures("elm")
@pytest.mark.parametrize("asked", ["?page=0", "?page=99", "?page=two", "?show=yours"])
def test_an_odd_address_still_shows_a_page(cast: Cast, asked: str) -> None:
    assert cast.client("colleague").get(f"/readings/{asked}").status_code == 200


def test_more_tears_ask_no_more_queries(cast: Cast, tear: Tear) -> None:
    def queries(path: str) -> int:
        client = cast.client("colleague")
        with CaptureQueriesContext(connection) as asked:
            assert client.get(path).status_code == 200
        return len(asked)

    read(cast, tear)
    one = factories.a_tear(factories.an_operation(cast.unit, cast.oak))
    before = [queries(path) for path in ("/readings/", "/readings/?show=mine", f"/readings/{one.uuid}/")]
    for _ in range(4):
        read(cast, factories.a_tear(factories.an_operation(cast.unit, cast.oak)))
        factories.a_tear(factories.an_operation(cast.unit, cast.oak))
    after = [queries(path) for path in ("/readings/", "/readings/?show=mine", f"/readings/{one.uuid}/")]
    assert before == after


def test_no_cache_keeps_it(cast: Cast, tear: Tear) -> None:
    for path in ("/readings/", f"/readings/{tear.uuid}/"):
        assert "no-store" in cast.client("colleague").get(path).headers["Cache-Control"]

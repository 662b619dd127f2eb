"""Reference values: what the software itself holds, without a key, and a unit's own only to its people."""

import json

import pytest

from outcomes.naming import define_failure
from outcomes.published import FIGURES
from outcomes.thresholds import THRESHOLDS
from registry.scoring import INSTRUMENTS
from registry.vocabulary import RootType
from tests.conftest import Cast
from tests.registry.api.asking import NOBODY, asker

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]


def test_a_coded_list_has_codes_labels_and_its_source() -> None:
    told = NOBODY.get("/reference/vocabulary/root_type/").json()
    # The docstring of the list itself: LaPrade et al.
    assert told["source"] == "LaPrade et al. AJSM 2015;43:363-9."
    assert [(each["code"], each["label"]) for each in told["codes"]] == RootType.choices
    assert NOBODY.get("/reference/vocabulary/side/").json()["source"] == ""
    names = {each["name"] for each in NOBODY.get("/reference/vocabulary/").json()["items"]}
    assert {"side", "rim_zone", "healing_class", "scope"} <= names
    assert NOBODY.get("/reference/vocabulary/colour/").status_code == 404


def test_an_instrument_tells_its_items_without_their_wording() -> None:
    told = NOBODY.get("/reference/instruments/tegner/").json()
    assert told["items"] == [{"code": "level", "label": "Activity level", "allowed": list(range(11))}]
    (scale,) = told["scales"]
    assert (scale["lowest"], scale["highest"]) == (0, 10)
    assert scale["direction"] == "higher is more active, not a better knee"
    assert told["version"] == "1985"
    listed = NOBODY.get("/reference/instruments/").json()["items"]
    assert [each["code"] for each in listed] == list(INSTRUMENTS)


def test_thresholds_and_published_figures_come_with_their_source() -> None:
    told = NOBODY.get("/reference/thresholds/").json()["items"]
    written = json.loads(THRESHOLDS.read_text(encoding="utf-8"))
    assert [(each["code"], each["source"]) for each in told] == [
        (each["code"], each["source"]) for each in written
    ]
    figures = NOBODY.get("/reference/published/").json()["items"]
    assert [each["citation"] for each in figures] == [
        each["citation"] for each in json.loads(FIGURES.read_text(encoding="utf-8"))
    ]


def test_the_plan_is_the_default_one() -> None:
    first, *_, last = NOBODY.get("/reference/plan/").json()["items"]
    assert (first["code"], first["label"], first["due_day"], first["window_days"]) == (
        "6w",
        "6 weeks",
        42,
        14,
    )
    # Ten years of 365.25 days, rounded down to 3652.
    assert (last["code"], last["due_day"]) == ("120m", 3652)


def test_a_units_own_definition_is_told_to_its_people_alone(cast: Cast) -> None:
    own = define_failure(cast.audit_lead, cast.unit, "Seen not healed", ["look", "imaging"])
    told = asker(cast.surgeon).get("/reference/definitions/").json()["items"]
    assert [each["code"] for each in told] == ["reoperation", "any", own.code]
    assert [each["code"] for each in told[2]["events"]] == ["look", "imaging"]
    others = asker(cast.stranger).get("/reference/definitions/").json()["items"]
    assert [each["code"] for each in others] == ["reoperation", "any"]
    assert NOBODY.get("/reference/definitions/").status_code == 401


def test_what_was_read_once_is_not_sent_again() -> None:
    for path in ("vocabulary/", "instruments/", "thresholds/", "published/", "plan/"):
        tag = NOBODY.get(f"/reference/{path}").headers["ETag"]
        assert NOBODY.get(f"/reference/{path}", If_None_Match=tag).status_code == 304

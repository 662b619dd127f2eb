"""A form on paper: what is asked first, each value once, the code, no name. Texts are invented."""

import re
from typing import Any

import pytest

from registry.models import Identity, Wording
from registry.recording import record
from registry.scoring import INSTRUMENTS, Instrument
from registry.scoring.paper import SheetCode
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text


def opened(cast: Cast, **asked: str) -> Any:
    return cast.client("clinician").get(f"/knees/{cast.knee.uuid}/paper/", asked)


def sheet(cast: Cast, **asked: str) -> str:
    """What is printed: the sheet alone."""
    return text(opened(cast, **asked)).partition("<article")[2].partition("</article>")[0]


@pytest.fixture(params=INSTRUMENTS.values(), ids=INSTRUMENTS)
def instrument(request: pytest.FixtureRequest) -> Instrument:
    found: Instrument = request.param
    return found


def test_every_item_has_a_box_for_each_value_with_the_value_beside_it(
    cast: Cast, instrument: Instrument
) -> None:
    page = sheet(cast, instrument=instrument.code)
    items = re.findall(
        r'<span class="sheet-code">(\w+)</span> ([^<]*) </p> (.*?)(?=<li> <p>|</section>)', page
    )
    assert [(code, label) for code, label, _ in items] == [
        (item.code, item.label) for item in instrument.items
    ]
    for item, (_, _, answers) in zip(instrument.items, items, strict=True):
        printed = [int(value) for value in re.findall(r"<small>(-?\d+)</small>", answers)]
        assert printed == (list(item.allowed) if item.is_choice else [item.allowed[0], item.allowed[-1]])
        assert answers.count('<span class="box">') == (len(item.allowed) if item.is_choice else 0)


def test_what_every_patient_is_asked_comes_first(cast: Cast) -> None:
    page = sheet(cast, instrument="koos")
    first = page.index('<span class="sheet-code">')
    question = "Has your left knee been operated on again since March 1, 2024?"
    for asked in (question, "Fever", "Painful or swollen calf", "Knee that is stuck"):
        assert 0 < page.index(asked) < first
    assert "Contact your hospital now" in page
    assert "Nobody watches this page." in page


def test_it_asks_since_the_latest_operation(cast: Cast) -> None:
    factories.an_operation(
        cast.unit, cast.oak, cast.knee, operated_on=factories.OPERATED_ON.replace(year=2025), injured_on=None
    )
    assert "since March 1, 2025?" in sheet(cast)


def test_a_knee_without_an_operation_has_no_sheet(cast: Cast) -> None:
    factories.withdrawn(cast.repair.tear.procedure)
    response = cast.client("clinician").get(f"/knees/{cast.knee.uuid}/paper/", follow=True)
    assert "nothing to ask the patient about" in text(response)


def test_a_patient_is_asked_in_their_language(cast: Cast) -> None:
    factories.corrected(cast.knee.patient, language="es")
    page = sheet(cast, instrument="marx")
    assert 'lang="es"' in page
    for english in (
        "Has your",
        "Fever",
        "Contact",
        "Label of",
        "Date of",
        "What was done",
        "Nobody",
        "Your left",
    ):
        assert english not in page
    assert "Fiebre" in page


def test_the_code_leads_back_to_the_knee_and_nothing_names_the_patient(cast: Cast) -> None:
    record(
        Identity.sealed(cast.knee.patient, hospital_number="NM 0042", given_names="Ash", family_name="Rowan")
    )
    page = sheet(cast, instrument="tegner", time_point="12m")
    assert str(SheetCode.of(cast.knee.uuid, "tegner", "12m")) in page
    assert "Your left knee" in page
    for identifying in ("NM 0042", "Ash", "Rowan", str(cast.knee.uuid), str(cast.knee.patient), "1999"):
        assert identifying not in page


def test_loaded_wording_takes_the_place_of_labels(cast: Cast) -> None:
    texts = {"": "Invented heading", "pain": "Invented <i>question</i>", "pain=0": "Invented nought"}
    for code, words in texts.items():
        Wording.objects.create(instrument="pain_nrs", language="es", code=code, text=words)
    page = sheet(cast, instrument="pain_nrs", language="es")
    assert 'lang="es"' in page
    assert "<h2>Invented heading</h2>" in page
    assert "Invented &lt;i&gt;question&lt;/i&gt;" in page
    assert page.count("Invented nought") == 1
    assert "No wording of" not in text(opened(cast, instrument="pain_nrs", language="es"))
    in_english = text(opened(cast, instrument="pain_nrs", language="en"))
    assert "No wording of Pain, 0 to 10 is loaded in English" in in_english
    assert "Invented" not in in_english


def test_it_opens_on_what_is_asked_now(cast: Cast) -> None:
    """Operated on long ago, the latest review of the default plan that has opened asks for KOOS."""
    page = text(opened(cast))
    assert '<option value="koos" selected>' in page
    assert INSTRUMENTS["koos"].licence in page


@pytest.mark.parametrize(
    ("asked", "field"), [({"instrument": "kos"}, "Form"), ({"time_point": "13m"}, "Review")]
)
def test_a_choice_that_is_none_is_refused_in_words(cast: Cast, asked: dict[str, str], field: str) -> None:
    response = opened(cast, **asked)
    assert response.status_code == 422
    assert f"{field}</a>: Select a valid choice. {next(iter(asked.values()))} is not one" in text(response)
    assert "<article" not in text(response)

"""Entry of all instruments: one form each, what is told afterwards, versions, wording, corrections."""

from datetime import date

import pytest

from registry.models import PlannedTimePoint, ScoreResponse, Wording
from registry.pages.forms.events import KINDS, score_kind
from registry.pages.forms.events.page import NewEvent, RecordedEvent
from registry.recording import latest_correction, record
from registry.scoring import INSTRUMENTS, Instrument, Item
from registry.scoring.koos import SYMPTOMS
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import Posted, as_it_came, path, text

DAY = "2024-10-01"


def slug(code: str) -> str:
    return score_kind(code).slug


def untouched(cast: Cast, code: str) -> Posted:
    page = NewEvent.of(score_kind(code), cast.knee)
    return {**as_it_came(page.forms), "entry": str(page.key), "answered_on": DAY}


def post(cast: Cast, code: str, **typed: object) -> str:
    page = {**untouched(cast, code), **{name: str(value) for name, value in typed.items()}}
    return text(cast.client("clinician").post(path(cast, slug(code)), page, follow=True))


def middle(item: Item) -> int:
    return item.allowed[len(item.allowed) // 2]


@pytest.fixture(params=INSTRUMENTS.values(), ids=INSTRUMENTS)
def instrument(request: pytest.FixtureRequest) -> Instrument:
    found: Instrument = request.param
    return found


def test_every_instrument_has_one_form() -> None:
    assert {each for each in KINDS if each.startswith("score-")} == {f"score-{code}" for code in INSTRUMENTS}


def test_answers_go_in_and_their_scores_are_told(cast: Cast, instrument: Instrument) -> None:
    answers = {item.code: middle(item) for item in instrument.items}
    page = post(cast, instrument.code, **answers)
    score = ScoreResponse.objects.get()
    assert (score.instrument, score.items, score.instrument_version) == (
        instrument.code,
        answers,
        instrument.version,
    )
    assert score.scale_values == pytest.approx(instrument.values(answers))
    told = f"{instrument.name} recorded. {len(answers)} of {len(answers)} items answered."
    assert told in page
    for each in instrument.scores(answers):
        assert f"{each.scale.name}: {each}" in page


def test_a_form_with_one_answer_is_kept_and_never_told_as_nought(cast: Cast, instrument: Instrument) -> None:
    first = instrument.items[0]
    page = post(cast, instrument.code, **{first.code: first.allowed[-1]})
    assert ScoreResponse.objects.get().items == {first.code: first.allowed[-1]}
    assert f"1 of {len(instrument.items)} items answered." in page
    for each in instrument.scores({first.code: first.allowed[-1]}):
        if each.value is None:
            assert f"{each.scale.name}: not scorable ({each.answered} of {each.of})" in page
            assert f"{each.scale.name}: 0" not in page


def test_a_form_on_which_nothing_is_answered_is_none(cast: Cast, instrument: Instrument) -> None:
    assert "Nothing is answered on this form. Enter the answers;" in post(cast, instrument.code)
    assert not ScoreResponse.objects.exists()


def test_a_value_out_of_range_is_refused_by_name_and_rule(cast: Cast, instrument: Instrument) -> None:
    item = instrument.items[-1]
    page = post(cast, instrument.code, **{item.code: 101})
    if item.is_choice:
        rule = f"101 is none of its values. Choose one of {', '.join(map(str, item.allowed))}."
    else:
        rule = f"{item.label} 101 is outside 0 to 100. Correct it, or leave it empty if unknown."
    assert f"{instrument.name}: {item.label}</a>: {rule}" in page
    assert not ScoreResponse.objects.exists()


def test_the_form_shows_every_item_once_under_its_heading(cast: Cast, instrument: Instrument) -> None:
    form = NewEvent.of(score_kind(instrument.code), cast.knee).event
    form.title = instrument.name
    shown = [field.name for group in form.groups for field in group.fields]
    assert sorted(shown) == sorted(form.fields)
    assert [name for name in shown if name in {item.code for item in instrument.items}] == [
        item.code for item in instrument.items
    ]


def test_pain_of_the_earlier_form_is_refused(cast: Cast) -> None:
    """Pain 30 is on some printed sheets; it belongs to the form of 1982."""
    page = post(cast, "lysholm", limp=5, pain=30)
    assert "30 is none of its values. Choose one of 25, 20, 15, 10, 5, 0." in page


@pytest.mark.parametrize("typed", ["1.5", "ten", "-1"])
def test_a_number_that_is_no_whole_one_is_refused(cast: Cast, typed: str) -> None:
    page = post(cast, "sane", percent=typed)
    assert (
        "Enter a whole number from 0 to 100, or leave it empty." in page or "-1 is outside 0 to 100" in page
    )
    assert not ScoreResponse.objects.exists()


# --- versions -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("version", "symptoms"), [("2012", "Symptoms: 100"), ("1998", "Symptoms: not scorable (4 of 7)")]
)
def test_old_answers_are_scored_by_the_old_rule(cast: Cast, version: str, symptoms: str) -> None:
    """Four of seven: enough by the manual of 2012, too few by that of 1998, which asks five (scores.md)."""
    page = post(cast, "koos", version=version, **dict.fromkeys(SYMPTOMS[:4], 0))
    assert symptoms in page
    assert ScoreResponse.objects.get().instrument_version == version


def test_a_version_is_asked_only_where_there_are_several(cast: Cast, instrument: Instrument) -> None:
    page = text(cast.client("clinician").get(path(cast, slug(instrument.code))))
    assert ('name="version"' in page) is (len(instrument.rules) > 1)


def test_a_version_that_is_none_is_refused(cast: Cast) -> None:
    post(cast, "koos", version="2011", S1=0)
    assert not ScoreResponse.objects.exists()


# --- corrections ------------------------------------------------------------------------------------


def test_each_is_corrected_on_its_own_form(cast: Cast, instrument: Instrument) -> None:
    first, last = instrument.items[0], instrument.items[-1]
    record(
        ScoreResponse(
            knee=cast.knee,
            answered_on=date(2024, 10, 1),
            instrument=instrument.code,
            items={first.code: first.allowed[0]},
        )
    )
    score = ScoreResponse.objects.get()
    client, story = cast.client("clinician"), f"/knees/{cast.knee.uuid}/"
    address = f"{path(cast, slug(instrument.code))}{score.uuid}/"
    assert f'href="{address}"' in text(client.get(story))
    assert f"<h1>Correct: {instrument.name}</h1>" in text(client.get(address))
    page = as_it_came(RecordedEvent.of(score_kind(instrument.code), cast.knee, score).forms)
    sent = {
        **page,
        last.code: str(last.allowed[-1]),
        "correction-seen": str(latest_correction(score)),
        "correction-reason": "read anew",
    }
    assert client.post(address, sent).status_code == 302
    score.refresh_from_db()
    assert score.items == {first.code: first.allowed[0], last.code: last.allowed[-1]}


def test_a_score_is_not_corrected_on_the_form_of_another(cast: Cast) -> None:
    record(
        ScoreResponse(knee=cast.knee, answered_on=date(2024, 10, 1), instrument="sane", items={"percent": 50})
    )
    score = ScoreResponse.objects.get()
    assert cast.client("clinician").get(f"{path(cast, slug('koos'))}{score.uuid}/").status_code == 404


def test_two_forms_of_one_day_stand_beside_each_other(cast: Cast) -> None:
    post(cast, "sane", percent=50)
    post(cast, "pain_nrs", pain=3)
    assert ScoreResponse.objects.count() == 2
    page = post(cast, "sane", percent=60)
    assert "This form was already answered for this knee on that day." in page
    assert ScoreResponse.objects.count() == 2


# --- what is shown ------------------------------------------------------------------------------------


def test_the_profile_is_told_and_the_scale_beside_it(cast: Cast) -> None:
    page = post(cast, "eq5d5l", MO=2, SC=1, UA=1, PD=4, AD=3, VAS=70)
    assert "Profile: 21143; EQ VAS: 70." in page
    story = text(cast.client("clinician").get(f"/knees/{cast.knee.uuid}/"))
    assert "<h3>EQ-5D-5L</h3>" in story
    assert "<dd> 21143 </dd>" in story
    assert "70 of 100" in story


def test_half_a_profile_is_none(cast: Cast) -> None:
    assert "Profile: not complete; EQ VAS: 70." in post(cast, "eq5d5l", MO=2, VAS=70)
    assert "<dd> not complete </dd>" in text(cast.client("clinician").get(f"/knees/{cast.knee.uuid}/"))


def test_loaded_wording_stands_with_the_item_and_cannot_break_the_page(cast: Cast) -> None:
    for code, words in {"pain": "Invented <b>words</b>", "pain=3": "Invented three"}.items():
        Wording.objects.create(instrument="pain_nrs", language="en", code=code, text=words)
    Wording.objects.create(instrument="pain_nrs", language="es", code="pain", text="Palabras inventadas")
    page = text(cast.client("clinician").get(path(cast, slug("pain_nrs"))))
    assert "Invented &lt;b&gt;words&lt;/b&gt;" in page
    assert "3: Invented three" in page
    assert "Palabras" not in page


def test_the_story_offers_one_link_to_all_forms(cast: Cast) -> None:
    client = cast.client("clinician")
    story = text(client.get(f"/knees/{cast.knee.uuid}/"))
    assert f'href="{path(cast, "score")}">Score</a>' in story
    assert "/record/score-" not in story
    forms = text(client.get(path(cast, "score")))
    for each in INSTRUMENTS.values():
        assert f'href="{path(cast, slug(each.code))}">{each.name}</a>' in forms
    assert forms.index(">KOOS</a>") < forms.index(">Lysholm</a>")


def test_what_the_unit_asks_comes_first(cast: Cast) -> None:
    record(
        PlannedTimePoint(unit=cast.unit, time_point="3m", due_day=91, window_days=28, instruments=["womet"])
    )
    record(
        PlannedTimePoint(unit=cast.unit, time_point="6m", due_day=183, window_days=42, instruments=["sane"])
    )
    page = text(cast.client("clinician").get(path(cast, "score")))
    # The later of the two reviews is the one that can still be answered.
    assert page.index(">SANE</a>") < page.index(">WOMET</a>") < page.index(">KOOS</a>")


def test_what_is_asked_now_is_said(cast: Cast) -> None:
    operated_on = date.today()
    knee = factories.a_repair(
        factories.an_operation(cast.unit, cast.oak, operated_on=operated_on)
    ).tear.procedure.knee
    record(
        PlannedTimePoint(unit=cast.unit, time_point="6w", due_day=10, window_days=10, instruments=["tegner"])
    )
    page = text(cast.client("clinician").get(f"/knees/{knee.uuid}/record/score/"))
    asked, _, others = page.partition("asked now")
    assert asked.endswith('>Tegner</a> <span class="tag tag-strong">')
    assert "asked now" not in others

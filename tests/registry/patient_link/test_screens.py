"""The screens in order and what is read from each, without any page."""

from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.patient_link.screens import (
    ADVICE,
    AGAIN,
    SEND,
    SIGNS,
    SIGNS_OF_TROUBLE,
    Answers,
    first_not_done,
    screens_of,
    take,
)
from registry.scoring import INSTRUMENTS

OF_THE_PAGE = {"go", "screen", "anyway", "year", "again", "where", "when", "what", "none", *SIGNS}


def keys(instruments: list[str], answers: Answers) -> list[str]:
    return [screen.key for screen in screens_of(instruments, answers)]


def test_the_question_of_another_operation_comes_first_and_sending_last() -> None:
    assert keys([], Answers()) == ["again", "signs", "send"]
    koos = [f"koos-{number}" for number in range(1, 8)]
    assert keys(["koos", "sane"], Answers()) == ["again", "signs", *koos, "sane-1", "send"]
    assert keys(["sane"], Answers(signs=["none"])) == ["again", "signs", "sane-1", "send"]
    assert keys(["sane"], Answers(signs=["fever"])) == ["again", "signs", "advice", "sane-1", "send"]


@pytest.mark.parametrize("code", INSTRUMENTS)
def test_no_item_has_the_name_of_something_else_on_the_page(code: str) -> None:
    assert not OF_THE_PAGE & {item.code for item in INSTRUMENTS[code].items}


@given(st.data(), st.sampled_from(list(INSTRUMENTS)))
def test_answering_every_screen_answers_every_item(data: st.DataObject, code: str) -> None:
    instrument, answers = INSTRUMENTS[code], Answers()
    chosen = {item.code: data.draw(st.sampled_from(list(item.allowed))) for item in instrument.items}
    for screen in screens_of([code], answers):
        assert screen.group is None or take(screen, sent(chosen), answers).unanswered == 0
    assert answers.items == {code: chosen}
    assert instrument.problems(chosen) == []
    assert Answers.read(answers.plain()) == answers


def sent(chosen: Mapping[str, int]) -> dict[str, str]:
    return {code: str(value) for code, value in chosen.items()}


@given(st.dictionaries(st.sampled_from(["S1", "S2", "S3", "S4", "S5", "P1"]), st.text(max_size=5)))
def test_nothing_but_allowed_values_of_the_screens_own_items_is_taken(posted: dict[str, str]) -> None:
    answers = Answers()
    screen = screens_of(["koos"], answers)[2]
    taken = take(screen, posted, answers)
    kept = answers.items["koos"]
    assert INSTRUMENTS["koos"].problems(kept) == []
    assert "P1" not in kept
    assert len(kept) + len(taken.wrong) + taken.unanswered == 5


def test_what_is_not_sent_stays_and_what_is_emptied_goes() -> None:
    answers = Answers(items={"eq5d5l": {"VAS": 80}, "koos": {"S1": 3}})
    vas = screens_of(["eq5d5l"], answers)[3]
    assert take(vas, {}, answers).unanswered == 0
    assert take(vas, {"VAS": "101"}, answers).wrong == {"VAS": "101"}
    assert answers.items["eq5d5l"] == {"VAS": 80}
    assert take(vas, {"VAS": " "}, answers).unanswered == 1
    assert answers.items == {"eq5d5l": {}, "koos": {"S1": 3}}


def test_words_of_an_operation_go_with_its_yes() -> None:
    answers = Answers()
    assert take(AGAIN, {}, answers).unanswered == 1
    assert take(AGAIN, {"again": "perhaps"}, answers).unanswered == 1
    assert (
        take(AGAIN, {"again": "unsure", "where": " Alder Clinic ", "what": "x" * 300}, answers).unanswered
        == 0
    )
    assert answers.report == {"again": "unsure", "where": "Alder Clinic", "when": "", "what": "x" * 200}
    take(AGAIN, {"again": "no", "where": "Alder Clinic"}, answers)
    assert answers.report == {"again": "no", "where": "", "when": "", "what": ""}


def test_a_sign_beside_none_of_these_is_a_sign() -> None:
    answers = Answers()
    assert take(SIGNS_OF_TROUBLE, {}, answers).unanswered == 1
    take(SIGNS_OF_TROUBLE, {"none": "on", "calf_pain": "on"}, answers)
    assert answers.signs_told == ["calf_pain"]
    assert ADVICE in screens_of([], answers)


def test_one_goes_on_at_the_first_screen_not_done() -> None:
    screens = screens_of(["sane"], Answers())
    assert first_not_done(screens, Answers()) is AGAIN
    assert first_not_done(screens, Answers(done=["again", "sane-1"])) is SIGNS_OF_TROUBLE
    assert first_not_done(screens, Answers(done=["again", "signs", "sane-1"])) is SEND

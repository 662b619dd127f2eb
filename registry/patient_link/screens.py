"""The screens of a link in order, and what is read from each. Pure: answers in, answers out."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field

from registry.scoring import INSTRUMENTS, Group, Instrument

AGAIN_ANSWERS = ("no", "yes", "unsure")
TOLD = ("where", "when", "what")
SIGNS = ("fever", "calf_pain", "locked_knee")
NO_SIGN = "none"
LONGEST_TOLD = 200
MOST_DIGITS = 3  # no item takes more than 100


@dataclass(frozen=True, slots=True)
class Screen:
    """One screen by the key it is known by; a group of an instrument's items, or one of the link's own."""

    key: str
    instrument: Instrument | None = None
    group: Group | None = None


AGAIN, SIGNS_OF_TROUBLE, ADVICE, SEND = (Screen(key) for key in ("again", "signs", "advice", "send"))


@dataclass(slots=True)
class Answers:
    """What was answered so far. `report` by AGAIN's fields, `items` by instrument and code."""

    report: dict[str, str] = field(default_factory=dict)
    signs: list[str] = field(default_factory=list)
    items: dict[str, dict[str, int]] = field(default_factory=dict)
    done: list[str] = field(default_factory=list)

    @classmethod
    def read(cls, plain: str) -> "Answers":
        """From what `plain` gave; the empty text is nothing answered."""
        return cls(**json.loads(plain)) if plain else cls()

    def plain(self) -> str:
        return json.dumps(asdict(self))

    @property
    def signs_told(self) -> list[str]:
        return [sign for sign in self.signs if sign in SIGNS]


@dataclass(frozen=True, slots=True)
class Taken:
    """What is still open on a screen: how many are unanswered, and what was typed wrongly, by code."""

    unanswered: int = 0
    wrong: Mapping[str, str] = field(default_factory=dict)


def screens_of(instruments: Sequence[str], answers: Answers) -> tuple[Screen, ...]:
    """First whether the knee was operated on again, then signs, then one screen a group; last, sending."""
    groups = (
        Screen(f"{code}-{number}", INSTRUMENTS[code], group)
        for code in instruments
        for number, group in enumerate(INSTRUMENTS[code].groups, start=1)
    )
    advice = [ADVICE] if answers.signs_told else []
    return (AGAIN, SIGNS_OF_TROUBLE, *advice, *groups, SEND)


def first_not_done(screens: Sequence[Screen], answers: Answers) -> Screen:
    """Where to go on; sending is never done before the link is finished."""
    return next(screen for screen in screens if screen.key not in answers.done)


def take(screen: Screen, posted: Mapping[str, str], answers: Answers) -> Taken:
    """Put what was sent from a screen into `answers`. What was not sent stays as it was."""
    if screen is AGAIN:
        return _take_again(posted, answers)
    if screen is SIGNS_OF_TROUBLE:
        answers.signs = [sign for sign in (*SIGNS, NO_SIGN) if sign in posted]
        return Taken(unanswered=0 if answers.signs else 1)
    if screen.instrument and screen.group:
        return _take_group(screen.instrument, screen.group, posted, answers)
    return Taken()


def _take_again(posted: Mapping[str, str], answers: Answers) -> Taken:
    if posted.get("again") in AGAIN_ANSWERS:
        answers.report["again"] = posted["again"]
    told = answers.report.get("again") != "no"
    for name in TOLD:
        # A text for one answer would be misread beside the other.
        answers.report[name] = posted.get(name, "").strip()[:LONGEST_TOLD] if told else ""
    return Taken(unanswered=0 if "again" in answers.report else 1)


def _take_group(instrument: Instrument, group: Group, posted: Mapping[str, str], answers: Answers) -> Taken:
    items = answers.items.setdefault(instrument.code, {})
    wrong: dict[str, str] = {}
    for code in group.items:
        typed = posted.get(code)
        if typed is None:
            continue
        value = _whole(typed)
        if value in instrument.item(code).allowed:
            items[code] = value
        elif typed.strip():
            wrong[code] = typed
        else:
            items.pop(code, None)
    return Taken(sum(code not in items for code in group.items if code not in wrong), wrong)


def _whole(typed: str) -> int:
    """A whole number as typed; -1, which no item allows, where it is none."""
    typed = typed.strip()
    return int(typed) if typed.isascii() and typed.isdigit() and len(typed) <= MOST_DIGITS else -1

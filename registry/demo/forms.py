"""Forms besides Lysholm, answered as consistently with a knee's trouble as people do. Pure."""

from collections.abc import Sequence
from datetime import date, datetime

from registry.demo.review_stories import ScoreStory
from registry.demo.world import World
from registry.scoring import INSTRUMENTS, Instrument, Item
from registry.scoring.ikdc import IKDC, REVERSED
from registry.scoring.koos import KOOS, SUBSCALES
from registry.scoring.tegner import TEGNER

EARLIER_RULE = "1998"
_SCALE_OF = {code: scale for scale, codes in SUBSCALES.items() for code in codes}
MOST_SKIPPED = 3


def form(
    world: World,
    instrument: str,
    on: date,
    recorded_at: datetime,
    way: str,
    trouble: float,
    activity: int | None,
) -> ScoreStory:
    """One form of a day; `activity` is the level before the injury, where it is known."""
    asked = INSTRUMENTS[instrument]
    items = _as_sent_back(world, _answers(world, asked, trouble, activity))
    version = _version(world, asked, on)
    return ScoreStory(
        uuid=world.dice.uuid(),
        recorded_at=recorded_at,
        answered_on=on,
        instrument=instrument,
        instrument_version=version,
        items=items,
        scale_values=asked.values(items, version),
        way=way,
        reoperated_since="not_asked",
    )


def first_groups(
    world: World, instrument: str, groups: int, trouble: float, activity: int | None
) -> dict[str, int]:
    """The answers on the first groups of a form, nothing left out."""
    asked = INSTRUMENTS[instrument]
    reached = {code for group in asked.groups[:groups] for code in group.items}
    answers = _answers(world, asked, trouble, activity)
    return {code: value for code, value in answers.items() if code in reached}


def _version(world: World, asked: Instrument, on: date) -> str:
    early = world.year(on) <= world.truth.forms.earlier_rule_until_year
    return EARLIER_RULE if early and EARLIER_RULE in asked.rules else asked.version


def _answers(world: World, asked: Instrument, trouble: float, activity: int | None) -> dict[str, int]:
    """Every item answered."""
    truth, dice = world.truth.forms, world.dice
    if asked is TEGNER:
        before = truth.activity_unknown if activity is None else activity
        level = round(before * (1 - truth.activity_lost * trouble) + dice.spread(truth.activity_noise))
        return {item.code: min(max(level, item.allowed[0]), item.allowed[-1]) for item in asked.items}
    if asked is not KOOS:
        return {item.code: _answer(world, _best_first(asked, item), trouble) for item in asked.items}
    felt = {
        scale: trouble * weight + dice.spread(truth.scale_noise)
        for scale, weight in truth.koos_weight.items()
    }
    return {item.code: _answer(world, item.allowed, felt[_SCALE_OF[item.code]]) for item in asked.items}


def _best_first(asked: Instrument, item: Item) -> Sequence[int]:
    return item.allowed[::-1] if asked is IKDC and item.code not in REVERSED else item.allowed


def _answer(world: World, best_first: Sequence[int], trouble: float) -> int:
    """The allowed answer nearest to the trouble."""
    steps = len(best_first) - 1
    felt = trouble + world.dice.spread(world.truth.forms.item_noise)
    return best_first[min(max(round(felt * steps), 0), steps)]


def _as_sent_back(world: World, answers: dict[str, int]) -> dict[str, int]:
    """All of it, or the first part only, or with a few items left out."""
    truth, dice = world.truth.forms, world.dice
    codes = list(answers)
    if len(codes) == 1:
        return answers
    if dice.chance(truth.broken_off):
        return {code: answers[code] for code in codes[: dice.within((1, len(codes) - 1))]}
    if dice.chance(truth.item_skipped):
        skipped = {codes[dice.within((0, len(codes) - 1))] for _ in range(dice.within((1, MOST_SKIPPED)))}
        return {code: value for code, value in answers.items() if code not in skipped}
    return answers

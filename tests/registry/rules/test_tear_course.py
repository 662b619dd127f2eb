"""What became of a tear: the latest known, the later source of one day, and nothing after all is gone."""

from datetime import date

from registry.rules.tear_course import Fate, Knowledge, Source, latest


def known(month: int, source: Source, fate: Fate) -> Knowledge:
    return Knowledge(date(2024, month, 1), source, fate)


IMAGED = known(3, "imaging", "failed")
LOOKED = known(3, "look", "partly")
REPAIRED = known(3, "surgery", "repaired_again")
HEALED = known(9, "imaging", "healed")
REMOVED = known(6, "surgery", "removed")


def test_nothing_known() -> None:
    assert latest([]) is None


def test_the_latest_tells_in_whatever_order_it_comes() -> None:
    assert latest([HEALED, LOOKED, IMAGED]) == latest([IMAGED, LOOKED, HEALED]) == HEALED


def test_of_one_day_a_look_outranks_an_image_and_what_was_done_outranks_both() -> None:
    assert latest([LOOKED, IMAGED]) == LOOKED
    assert latest([REPAIRED, LOOKED, IMAGED]) == REPAIRED


def test_a_part_removed_may_heal_but_nothing_follows_removal() -> None:
    assert latest([known(6, "surgery", "part_removed"), HEALED]) == HEALED
    assert latest([HEALED, REMOVED, LOOKED]) == REMOVED

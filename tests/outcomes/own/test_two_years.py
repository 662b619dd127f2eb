"""Which repairs have a two-year result, what it is, and when it was known."""

from datetime import date, timedelta

from outcomes.own.two_years import two_years
from tests.outcomes.own.invented import CLOSED_ON, a_row, rows

RECENT = CLOSED_ON - timedelta(days=200)


def test_each_repair_counts_once_as_its_rule_says() -> None:
    results = two_years(
        rows(
            [
                a_row(730, "failed"),  # within two years
                a_row(731, "failed"),  # stood for two years
                a_row(729),  # lost
                a_row(400, "died"),  # ended otherwise
                a_row(1200),  # followed
                a_row(90, "failed", operated=RECENT),  # too early to count
                a_row(100, operated=RECENT),  # waits
                a_row(800, "failed", entry=500),  # from old notes
            ]
        )
    )
    assert results.table["repair"].tolist() == [0, 1, 4]
    assert results.table["failed_by"].tolist() == [1, 0, 0]
    assert (results.early, results.waiting, results.lost, results.entered_late) == (1, 1, 2, 1)


def test_two_years_are_over_on_their_last_day() -> None:
    on_the_day = CLOSED_ON - timedelta(days=730)
    assert len(two_years(rows([a_row(730, operated=on_the_day)])).table) == 1
    a_day_later = on_the_day + timedelta(days=1)
    assert two_years(rows([a_row(10, "failed", operated=a_day_later)])).early == 1


def test_a_failure_is_known_on_its_day_and_a_success_after_two_years() -> None:
    results = two_years(
        rows(
            [
                a_row(900, operated=date(2020, 1, 1)),
                a_row(30, "failed", operated=date(2021, 6, 1)),
                a_row(800, "failed", operated=date(2019, 12, 1)),
            ]
        )
    )
    known = [
        (row, day.date()) for row, day in zip(results.known["repair"], results.known["known_on"], strict=True)
    ]
    assert known == [(1, date(2021, 7, 1)), (2, date(2021, 11, 30)), (0, date(2021, 12, 31))]


def test_few_results_are_warned_of() -> None:
    """Four fifths with a result is enough, as of any follow-up (cautions.COMPLETE_ENOUGH)."""
    enough = two_years(rows([a_row(900)] * 8 + [a_row(10)] * 2))
    assert enough.incomplete == ""
    few = two_years(rows([a_row(900)] * 7 + [a_row(10)] * 3))
    assert few.incomplete.startswith("Only 70.0 % of the repairs whose two years are over have a result")
    assert two_years(rows([a_row(10, operated=RECENT)])).share_known is None

"""Acuity at its cut points, and age in completed years."""

from datetime import date

import pytest

from registry.rules.acuity import acuity, whole_years


# Cut points at 42 and 90 days: the record's own default. Published series use 14, 21, 42 and 56 days and
# 12 weeks (van der List et al. AJSM 2025, doi 10.1177/03635465241298619).
@pytest.mark.parametrize(
    ("days", "expected"),
    [
        (0, "acute"),
        (42, "acute"),
        (43, "subacute"),
        (90, "subacute"),
        (91, "chronic"),
        (4000, "chronic"),
        (None, "unknown"),
    ],
)
def test_default_cut_points(days: int | None, expected: str) -> None:
    assert acuity(days) == expected


@pytest.mark.parametrize(
    ("days", "expected"), [(21, "acute"), (22, "subacute"), (84, "subacute"), (85, "chronic")]
)
def test_a_cohort_may_cut_elsewhere(days: int, expected: str) -> None:
    assert acuity(days, acute_max=21, subacute_max=84) == expected


# Age in completed years. Common practice, no source: in a year without 29 February, whoever was born on that
# day completes a year on 1 March.
@pytest.mark.parametrize(
    ("born_on", "on", "expected"),
    [
        (date(2000, 6, 15), date(2024, 6, 14), 23),
        (date(2000, 6, 15), date(2024, 6, 15), 24),
        (date(2000, 6, 15), date(2024, 12, 1), 24),
        (date(2000, 2, 29), date(2023, 2, 28), 22),
        (date(2000, 2, 29), date(2023, 3, 1), 23),
        (date(2000, 2, 29), date(2024, 2, 28), 23),
        (date(2000, 2, 29), date(2024, 2, 29), 24),
        (date(2000, 3, 1), date(2024, 2, 29), 23),
        (date(2024, 2, 29), date(2024, 2, 29), 0),
    ],
)
def test_age_in_completed_years(born_on: date, on: date, expected: int) -> None:
    assert whole_years(born_on, on) == expected

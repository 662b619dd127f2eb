"""Healing in clinic by three signs, and at a second look by the cleft that is left."""

from itertools import product

import pytest

from registry.rules.healing import clinically_healed, second_look_class


# Henning et al. CORR 1990;252:64-72, of the thickness: healed under 10 % along the full length, partly healed
# under 50 %, failed from 50 % on.
@pytest.mark.parametrize(
    ("cleft", "length", "expected"),
    [
        (0, 100, "healed"),
        (9, 100, "healed"),
        (9, 99, "partly"),
        (9, 0, "partly"),
        (10, 100, "partly"),
        (10, None, "partly"),
        (11, 100, "partly"),
        (49, 100, "partly"),
        (49, None, "partly"),
        (50, 100, "failed"),
        (50, None, "failed"),
        (51, 100, "failed"),
        (100, 0, "failed"),
        (9, None, None),
        (None, 100, None),
        (None, None, None),
    ],
)
def test_class_of_a_second_look(cleft: int | None, length: int | None, expected: str | None) -> None:
    thickness = None if cleft is None else 100 - cleft
    assert second_look_class(thickness, length) == expected


# A unit may set its own limits: healed under 20 % here, failed from 30 %.
@pytest.mark.parametrize(
    ("cleft", "expected"),
    [(19, "healed"), (20, "partly"), (21, "partly"), (29, "partly"), (30, "failed"), (31, "failed")],
)
def test_class_limits_can_be_set(cleft: int, expected: str) -> None:
    assert second_look_class(100 - cleft, 100, healed_below=20, failed_from=30) == expected


# Barrett et al. Arthroscopy 1998;14:824-9, from memory: healed when none of effusion, joint-line tenderness
# and positive McMurray is present. That an unrecorded sign leaves it open is the record's own rule.
SIGNS = list(product(("none", "slight", "marked", None), (False, True, None), (False, True, None)))


@pytest.mark.parametrize(("effusion", "tenderness", "mcmurray"), SIGNS)
def test_three_signs(effusion: str | None, tenderness: bool | None, mcmurray: bool | None) -> None:
    healed = clinically_healed(effusion, tenderness, mcmurray)
    if effusion in ("slight", "marked") or tenderness or mcmurray:
        assert healed is False
    elif None in (effusion, tenderness, mcmurray):
        assert healed is None
    else:
        assert healed is True


def test_of_all_signs_read_one_combination_is_healed() -> None:
    read = [signs for signs in SIGNS if None not in signs]
    assert len(read) == 12
    assert [signs for signs in read if clinically_healed(*signs)] == [("none", False, False)]


def test_each_sign_alone_is_enough() -> None:
    assert clinically_healed("none", False, False) is True
    assert clinically_healed("slight", False, False) is False
    assert clinically_healed("none", True, False) is False
    assert clinically_healed("none", False, True) is False

"""When a repair counts as healed: by its signs in clinic, and by what a second look shows."""

from typing import Literal

# Signs are read from six months on; earlier a tender, swollen knee may simply be recovering.
CLINICAL_HEALING_FROM_DAYS = 183
# Henning et al. CORR 1990;252:64-72: residual cleft as a share of the thickness, in per cent.
HEALED_CLEFT_BELOW_PERCENT = 10
FAILED_CLEFT_FROM_PERCENT = 50
# Lysholm below 65 is "poor" (Tegner & Lysholm 1985, from memory), read from a year on.
POOR_LYSHOLM_BELOW = 65
POOR_LYSHOLM_FROM_DAYS = 365

LookClass = Literal["healed", "partly", "failed"]


def clinically_healed(
    effusion: str | None, joint_line_tenderness: bool | None, mcmurray: bool | None
) -> bool | None:
    """True when none of the three signs is present, False when any is, None when one is unrecorded.

    Barrett et al. Arthroscopy 1998;14:824-9, from memory. The verdict rests mainly on the absence of
    joint-line tenderness (Schoenecker et al. AJSM 2025;53:1750-60).
    """
    effused = None if effusion is None else effusion != "none"
    signs = (effused, joint_line_tenderness, mcmurray)
    if any(signs):
        return False
    return None if None in signs else True


def second_look_class(
    healed_thickness_percent: int | None,
    healed_length_percent: int | None,
    healed_below: int = HEALED_CLEFT_BELOW_PERCENT,
    failed_from: int = FAILED_CLEFT_FROM_PERCENT,
) -> LookClass | None:
    """Class of a repaired tear seen again, from the healed share of its thickness and length in per cent.

    Failed when the residual cleft reaches `failed_from` of the thickness; healed when it is under
    `healed_below` along the full length; partly healed between. None when thickness was not recorded,
    or when only the length could tell healed from partly healed and it was not.
    """
    if healed_thickness_percent is None:
        return None
    cleft = 100 - healed_thickness_percent
    if cleft >= failed_from:
        return "failed"
    if cleft >= healed_below:
        return "partly"
    if healed_length_percent is None:
        return None
    return "healed" if healed_length_percent == 100 else "partly"

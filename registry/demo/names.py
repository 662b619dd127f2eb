"""Invented names and reserved addresses: pronounceable, and improbable as words of any language. Pure.

Being improbable, they also serve as canaries: a release that holds one of them has let an identity out.
"""

from registry.demo.dice import Dice
from registry.demo.story import IdentityStory

_ONSETS = ("zw", "vr", "kv", "zl", "gv", "xw", "vz", "kz", "yv", "zm", "pzh", "wv", "qu", "vl", "bz", "dzh")
_VOWELS = ("a", "e", "i", "o", "u", "ae", "oi", "uu", "ee", "yo")
_CODAS = ("x", "lk", "mbz", "rq", "nth", "zk", "vsk", "lq", "rzh", "pt", "ngz", "xt")
# Numbers that Ofcom keeps free for drama, from memory; the last three digits are ours.
_DRAMA_NUMBERS = ("020 7946 0", "07700 900")


def identity(dice: Dice, number: int) -> IdentityStory:
    """Who patient `number` is."""
    given = _name(dice, 2)
    family = _name(dice, 3)
    return IdentityStory(
        hospital_number=f"DEMO-{number:06d}",
        given_names=given,
        family_name=family,
        email=f"{given}.{family}.{number}@example.org".lower(),
        phone=f"{_one_of(dice, _DRAMA_NUMBERS)}{dice.within((0, 999)):03d}",
    )


def _name(dice: Dice, syllables: int) -> str:
    spoken = (_one_of(dice, _ONSETS) + _one_of(dice, _VOWELS) for _ in range(syllables))
    return ("".join(spoken) + _one_of(dice, _CODAS)).capitalize()


def _one_of(dice: Dice, options: tuple[str, ...]) -> str:
    return options[dice.within((0, len(options) - 1))]

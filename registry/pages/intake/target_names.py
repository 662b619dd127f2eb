"""How the pages name what a column can fill: its part, then its label; each name leads to one target."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

from registry.intake.columns.targets import PARTS, TARGETS, Kind, Target
from registry.intake.columns.words import folded


def name_of(key: str) -> str:
    """The name of a target; "" for none."""
    return f"{PARTS[TARGETS[key].part]}: {TARGETS[key].label}" if key in TARGETS else ""


def target_named(typed: str) -> str | None:
    """The key of the target of this name, in whatever letters; None where there is none."""
    return _KEYS.get(folded(typed))


_KEYS = {folded(name_of(key)): key for key in TARGETS}


@dataclass(frozen=True, slots=True)
class Part:
    """All that a row can tell of one part."""

    label: str
    targets: tuple[Target, ...]


def parts() -> Iterator[Part]:
    """Every target by part, without those that only say why they are none."""
    offered = (target for target in TARGETS.values() if target.kind is not Kind.REFUSED)
    for part, targets in groupby(offered, key=lambda target: target.part):
        yield Part(PARTS[part], tuple(targets))


NAMES = [name_of(key) for key, target in TARGETS.items() if target.kind is not Kind.REFUSED]

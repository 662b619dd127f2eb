"""What changed in the API, newest first. The first number rises when a program has to be changed."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Change:
    """One version and what it brought."""

    version: str
    brought: tuple[str, ...]


CHANGES = (
    Change(
        "1.0.0",
        (
            "The record: patients, knees, operations with tears and repairs, all of follow-up, scores.",
            "What it says: cohorts in versions, survival and its further views, releases, reference values.",
            "Within version 1 fields and addresses are added, none is renamed or taken away.",
        ),
    ),
)

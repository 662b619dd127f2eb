"""The sections of a briefing in the order of the meeting: figures, tables, words and cautions."""

from __future__ import annotations

import re
from collections.abc import Iterator

from outcomes.briefing.gather import Contents
from outcomes.briefing.section import Section
from outcomes.briefing.sections_became import (
    cases_section,
    follow_up_section,
    funnel_section,
    looks_section,
    scores_section,
    since_last_section,
    survival_section,
)
from outcomes.briefing.sections_done import (
    activity_section,
    complications_section,
    indications_section,
    ramp_section,
)

# Where a sentence ends and the next begins; names of authors begin none.
SENTENCE = re.compile(r"(?<=[a-z0-9)]\.) (?=[A-Z][\w'-]* [a-z])")
# Where a reference ends and the next begins: with an author and initials.
REFERENCE = re.compile(r"(?<=[a-z0-9)]\.) (?=[A-Z][a-z]+ [A-Z]{1,3}[,.])")


def sections(contents: Contents, since_last: dict[str, object] | None) -> list[Section]:
    """All sections between the headline and the methods."""
    return [
        activity_section(contents),
        indications_section(contents),
        survival_section(contents),
        looks_section(contents),
        ramp_section(contents),
        scores_section(contents),
        complications_section(contents),
        funnel_section(contents),
        follow_up_section(contents),
        since_last_section(contents, since_last),
        cases_section(contents),
    ]


def told_once(all_sections: list[Section], *labels: str, end: re.Pattern[str] | None = None) -> list[str]:
    """What figures say under these labels, each text (or each part up to `end`) once, in order."""
    parts = (part for text in _texts(all_sections, labels) for part in (end.split(text) if end else [text]))
    return list(dict.fromkeys(parts))


def _texts(all_sections: list[Section], labels: tuple[str, ...]) -> Iterator[str]:
    for section in all_sections:
        for figure in section.figures:
            yield from (text for label, text in figure.facts if label in labels)

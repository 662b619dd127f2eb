"""The facts printed under every figure: cohort, definition, counts, length and completeness of follow-up."""

from collections.abc import Sequence

from django.utils.formats import date_format

from outcomes import wording
from outcomes.analyses.context import Context

Facts = tuple[tuple[str, str], ...]


def context_facts(context: Context) -> Facts:
    """What a reader needs to judge any figure of a cohort, as pairs of label and text."""
    return (
        ("Cohort", context.cohort_sentence),
        (context.definition.name, context.definition.sentence),
        (
            "Repairs",
            f"{context.n:,}, of which failed {context.events:,}; "
            f"ended by death, knee replacement or another tear {context.ended_otherwise:,}",
        ),
        ("Median follow-up", _median_follow_up(context)),
        ("Follow-up complete", _complete(context)),
    )


def methods_facts(methods: Sequence[str], references: Sequence[str]) -> Facts:
    """How it was worked out and where that is written: the last facts of a figure."""
    return (("Method", " ".join(methods)), ("References", " ".join(references)))


def _median_follow_up(context: Context) -> str:
    if not context.is_shown:
        return wording.TOO_FEW
    said = wording.months_with_interval(context.follow_up)
    return said if context.follow_up.estimate is None else f"{said} months"


def _complete(context: Context) -> str:
    if not context.is_shown:
        return wording.TOO_FEW
    closed_on = date_format(context.closed_on, "j M Y")
    return f"{wording.percent(context.completeness)} of the time possible until {closed_on}"

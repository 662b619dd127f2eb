"""Which form of which review is printed or keyed in: the page's own choice, opened on what is asked next."""

from collections.abc import Mapping
from typing import Any

from django import forms

from registry.models import Knee
from registry.pages.forms.base import Spoken
from registry.reviews import Review, current_review
from registry.rules.schedule import DEFAULT_PLAN
from registry.scoring import INSTRUMENTS
from registry.vocabulary import Language, TimePoint


class SheetForm(Spoken, forms.Form):
    """One instrument at one time point, in one language."""

    instrument = forms.ChoiceField(
        label="Form", choices=[(code, each.name) for code, each in INSTRUMENTS.items()]
    )
    time_point = forms.ChoiceField(label="Review", choices=TimePoint.choices)
    language = forms.ChoiceField(choices=Language.choices)

    def __init__(self, knee: Knee, asked: Mapping[str, Any]) -> None:
        super().__init__(
            {**chosen_by_itself(knee), **{name: asked[name] for name in asked}}, auto_id="sheet_%s"
        )


def chosen_by_itself(knee: Knee) -> dict[str, str]:
    """The first form that is asked now, at the review that can be answered now, in the patient's language."""
    review = current_review(knee)
    return {
        "instrument": asked_first(knee, review)[0],
        "time_point": review.time_point if review else TimePoint.UNPLANNED.value,
        "language": knee.patient.language,
    }


def asked_first(knee: Knee, review: Review | None) -> list[str]:
    """Every instrument by code: what the review asks, then what the unit asks at all, then the others."""
    plan = knee.patient.unit.own_plan() or DEFAULT_PLAN
    asked = [code for planned in plan for code in planned.instruments]
    return [*dict.fromkeys((*(review.instruments if review else ()), *asked, *INSTRUMENTS))]

"""What the soft rules ask about a second look, and the answers that are kept with it."""

from collections.abc import Mapping
from typing import Any

from django import forms

from registry.models import Kept, SecondLook, SoftAnswer, Tear
from registry.pages.forms.base import Spoken
from registry.rules.questions import Question

# A question by its code and the tear it is about.
Known = dict[tuple[str, int | None], SoftAnswer]
UNANSWERED = "Answer it in a few words, such as 'as seen', or correct what it asks about."


class AnswersForm(Spoken, forms.Form):
    """One line a question. Known answers are shown again and may be changed."""

    title = "To be confirmed"

    def __init__(
        self, asked: list[tuple[Tear, Question]], known: Known, posted: Mapping[str, Any] | None = None
    ) -> None:
        super().__init__(posted, prefix="answer", use_required_attribute=False)
        self._known = known
        self._asked = {f"{question.code}-{tear.pk}": (question, tear) for tear, question in asked}
        for name, (question, tear) in self._asked.items():
            self.fields[name] = forms.CharField(
                max_length=200,
                label=f"Tear {question.tear}: {question.text}",
                help_text=f"Asked by a soft rule ({question.source}). The answer is kept with the look.",
                error_messages={"required": UNANSWERED},
            )
            if (question.code, tear.pk) in known:
                self.initial[name] = known[question.code, tear.pk].answer

    @property
    def WIDE(self) -> tuple[str, ...]:  # type: ignore[override]  # noqa: N802 - a class's constant elsewhere
        return tuple(self.fields)

    @property
    def unanswered(self) -> list[tuple[Tear, Question]]:
        """What was asked and has no answer yet."""
        return [(tear, question) for name, (question, tear) in self._asked.items() if name in self.errors]

    def rows(self, look: SecondLook) -> list[SoftAnswer]:
        """The answers, new or on record, as they stand in the form."""
        return [self._row(look, name) for name in self.fields]

    def no_longer_asked(self) -> list[SoftAnswer]:
        asked = {(question.code, tear.pk) for question, tear in self._asked.values()}
        return [answer for key, answer in self._known.items() if key not in asked]

    def _row(self, look: SecondLook, name: str) -> SoftAnswer:
        question, tear = self._asked[name]
        row = self._known.get((question.code, tear.pk)) or SoftAnswer(
            look=look, tear=tear, code=question.code
        )
        row.answer = self.cleaned_data[name]
        return row


def answers_of(event: Kept) -> Known:
    """The standing answers about a second look; other events are asked nothing."""
    if not isinstance(event, SecondLook):
        return {}
    return {(answer.code, answer.tear_id): answer for answer in SoftAnswer.objects.filter(look=event)}

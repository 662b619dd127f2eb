"""Between JSON and the forms of the pages: what a program sends is checked by these very forms."""

from collections.abc import Iterable, Mapping
from typing import Any

from django.core.exceptions import NON_FIELD_ERRORS
from django.utils.html import strip_tags

from registry.api.problems import Problem, Refused, escaped, invalid, value_at
from registry.models import Kept, User
from registry.models.history_rules import BEFORE_SIGNING
from registry.pages.forms.base import Spoken
from registry.recording import Act, may_go_without_reason
from registry.rules.questions import Question

REASON = "correction_reason"
# A form of a page, the pointer to what it stands for in the body, and names that differ there.
Placed = tuple[Spoken, str, Mapping[str, str]]


def refused_by(forms: Iterable[Placed], sent: Any) -> Refused:
    """What the forms say is to be mended, each at its place in the body."""
    return invalid(problem for placed in forms for problem in _problems(placed, sent))


def asked(questions: Iterable[tuple[Question, Mapping[str, Any]]]) -> Refused:
    """The questions that stand before the record, to be answered in `answers`."""
    listed = [
        {"code": question.code, **about, "text": question.text, "source": question.source}
        for question, about in questions
    ]
    words = "Answer each question in 'answers', by code, or correct what it asks about. Nothing was recorded."
    return Refused("questions", words, questions=listed)


def act_of(user: User, row: Kept, said: Mapping[str, Any]) -> Act:
    """Who corrects and why; only a note not signed yet may be changed without a reason."""
    reason = said.get(REASON, "").strip()
    if not reason and not may_go_without_reason(row.entry):
        words = "A change of what is on record needs a reason. Say why."
        raise invalid([Problem(f"/{REASON}", words)])
    return Act(user, reason or BEFORE_SIGNING)


def _problems(placed: Placed, sent: Any) -> Iterable[Problem]:
    form, at, names = placed
    for field, errors in form.errors.items():
        pointer = at if field == NON_FIELD_ERRORS else f"{at}/{names.get(field, escaped(field))}"
        for words in errors:
            # Words for a page may hold a link; a pointer of JSON leads there as well.
            yield Problem(pointer, strip_tags(str(words)), value_at(sent, pointer))

"""From forms to the record: all rows of a page in one step, every refusal back on its form."""

from collections.abc import Callable, Sequence

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models

from registry.models import User
from registry.models.cross_rules import CROSS_RULES
from registry.models.history_rules import history_rules
from registry.pages.forms.base import Spoken
from registry.recording import record

REFUSED = (
    "Nothing was saved, because the database refused it: {reason}. "
    "Look at what is recorded by now, then correct this entry or leave it."
)
RACE = "somebody may have recorded the same at the same moment"

Entry = tuple[Spoken, models.Model]


def save(entries: Sequence[Entry], by: User | None = None) -> bool:
    """Record the rows in order, all or none; False when refused, with the reason on the form of the row."""
    return attempt(lambda: record(*(row for _, row in entries), by=by), entries)


def attempt(write: Callable[[], None], entries: Sequence[Entry]) -> bool:
    """Write to the record; False when it refuses, with the reason on the form of the row it refused."""
    try:
        write()
    except ValidationError as error:
        _say(_refused(entries), error)
    except IntegrityError as error:
        entries[0][0].add_error(None, refusal(error))
    else:
        return True
    return False


def refusal(error: IntegrityError) -> str:
    """What the database refused, in words."""
    said = str(error)
    rules = (*CROSS_RULES, *history_rules())
    reason = next((rule.message for rule in rules if rule.message in said), RACE)
    return REFUSED.format(reason=reason)


def _refused(entries: Sequence[Entry]) -> Spoken:
    """The form of the row that was refused: the first not saved, since recording stops there."""
    return next((form for form, row in entries if row._state.adding), entries[-1][0])


def _say(form: Spoken, error: ValidationError) -> None:
    for field, errors in error.update_error_dict({}).items():
        for each in errors:
            form.add_error(field if field in form.fields else None, each)

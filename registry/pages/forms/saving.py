"""From forms to the record: all rows of a page in one step, every refusal back on its form."""

from collections.abc import Sequence

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models

from registry.models.cross_rules import CROSS_RULES
from registry.pages.forms.base import Spoken
from registry.recording import record

REFUSED = (
    "Nothing was saved, because the database refused it: {reason}. "
    "Look at what is recorded by now, then correct this entry or leave it."
)
RACE = "somebody may have recorded the same at the same moment"

Entry = tuple[Spoken, models.Model]


def save(entries: Sequence[Entry]) -> bool:
    """Record the rows in order, all or none; False when refused, with the reason on the form of the row."""
    try:
        record(*(row for _, row in entries))
    except ValidationError as error:
        _say(_refused(entries), error)
    except IntegrityError as error:
        entries[0][0].add_error(None, REFUSED.format(reason=_reason(error)))
    else:
        return True
    return False


def _refused(entries: Sequence[Entry]) -> Spoken:
    """The form of the row that was refused: the first not saved, since recording stops there."""
    return next((form for form, row in entries if row._state.adding), entries[-1][0])


def _say(form: Spoken, error: ValidationError) -> None:
    for field, errors in error.update_error_dict({}).items():
        for each in errors:
            form.add_error(field if field in form.fields else None, each)


def _reason(error: IntegrityError) -> str:
    said = str(error)
    return next((rule.message for rule in CROSS_RULES if rule.message in said), RACE)

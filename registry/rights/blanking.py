"""Of a patient whose repairs and outcomes stay: nothing stays that anybody typed, and no day of birth."""

from datetime import date
from typing import Any

from registry.models import Correction, Kept, Patient
from registry.models.history_rules import kept_models
from registry.rights.belonging import keys_of
from registry.rights.free_text import REPLACED
from registry.vocabulary import Reminding

_PATIENTS = Patient._meta.db_table


def blank(patient: Patient) -> dict[str, int]:
    """Take words and the day of birth out of what stays; how many rows of each table were changed."""
    changed = {f"{_PATIENTS} blanked": _without_birthday(patient)}
    keys = keys_of(patient)
    for model, columns in REPLACED.items():
        for column, instead in columns.items():
            rows = model._base_manager.filter(pk__in=keys[model]).exclude(**{column: ""})
            name = f"{model._meta.db_table} blanked"
            changed[name] = changed.get(name, 0) + rows.update(**{column: instead})
    _blank_what_was_corrected(list(Correction.objects.filter(pk__in=keys[Correction])))
    return {what: count for what, count in changed.items() if count}


def _without_birthday(patient: Patient) -> int:
    return Patient.ever.filter(pk=patient.pk).update(
        born_on=_year_alone(patient.born_on), born_on_is_exact=False, reminders=Reminding.NONE
    )


def _blank_what_was_corrected(corrections: list[Correction]) -> None:
    models = {model._meta.db_table: model for model in kept_models()}
    for each in corrections:
        each.before = _blanked(models[each.row_table], each.before)
        each.after = _blanked(models[each.row_table], each.after)
    Correction.objects.bulk_update(corrections, ["before", "after"], batch_size=200)


def _blanked(model: type[Kept], values: dict[str, Any]) -> dict[str, Any]:
    """The columns of a row as a correction holds them, without what goes from the row itself."""
    instead = REPLACED.get(model, {})
    told = {name: instead[name] if name in instead and value else value for name, value in values.items()}
    if model is Patient and told.get("born_on"):
        told["born_on"] = _year_alone(date.fromisoformat(told["born_on"])).isoformat()
    return told


def _year_alone(born_on: date) -> date:
    """1 July of the year, as the record writes a birth of which only the year is known."""
    return born_on.replace(month=7, day=1)

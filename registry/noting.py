"""What a correction says of a row: its values before and after, column by column, as JSON holds them."""

import json
from typing import TYPE_CHECKING, Any

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from registry.holding import patient_of
from registry.models import Correction, Kept
from registry.vocabulary import CorrectionKind

if TYPE_CHECKING:
    from registry.recording import Act


def correction(
    row: Kept, act: "Act", kind: CorrectionKind, before: dict[str, Any], after: dict[str, Any]
) -> Correction:
    """The correction of a row that has its new version already, not yet saved."""
    entry = row.entry
    return Correction(
        act=act.key,
        kind=kind,
        made_by=act.by,
        reason=act.reason,
        patient=patient_of(row),
        entry_table=entry._meta.db_table,
        entry_id=entry.pk,
        row_table=row._meta.db_table,
        row_id=row.pk,
        version=row.version,
        before=before,
        after=after,
    )


def values(row: Kept) -> dict[str, Any]:
    """A row column by column; its key and version apart."""
    fields = [each for each in row._meta.concrete_fields if not each.primary_key and each.name != "version"]
    told: dict[str, Any] = plain({each.attname: _told(each, each.value_from_object(row)) for each in fields})
    return told


def plain(value: Any) -> Any:
    """A value as JSON gives it back."""
    return json.loads(json.dumps(value, cls=DjangoJSONEncoder))


def _told(column: Any, value: Any) -> Any:
    """A value as the database gives it back, whatever form it was entered in."""
    value = column.to_python(value)
    if isinstance(column, models.DecimalField) and value is not None:
        return f"{value:.{column.decimal_places}f}"
    return value

"""The blind index of every identity anew, after IDENTITY_INDEX_KEY was changed: all of them or none."""

from typing import Any

from cryptography.fernet import InvalidToken

from registry import sealing
from registry.models import Correction, Identity
from registry.rekeying.lifting import lifted
from registry.telling import Tell, silently

INDEX, NUMBER = "hospital_number_index", "hospital_number_sealed"
_IDENTITIES = Identity._meta.db_table


class CannotIndex(Exception):  # noqa: N818 - said to a person as it stands
    """An identity does not open, so its number cannot be indexed. Nothing was changed."""


def reindex(tell: Tell = silently) -> int:
    """Work out every index by today's key, also those that corrections tell; how many rows changed."""
    changed = 0
    # Corrections before identities, as every writer of the record goes.
    with lifted(Correction._meta.db_table), lifted(_IDENTITIES):
        units = dict(Identity.ever.values_list("pk", "unit_id"))
        corrections = Correction.objects.filter(row_table=_IDENTITIES, row_id__in=Identity.ever.values("pk"))
        for noted in corrections.select_for_update().iterator(500):
            told = {side: _told(getattr(noted, side), units[noted.row_id]) for side in ("before", "after")}
            if told != {"before": noted.before, "after": noted.after}:
                changed += Correction.objects.filter(pk=noted.pk).update(**told)
        identities = Identity.ever.select_for_update().values_list("pk", "unit_id", NUMBER, INDEX)
        for done, (key, unit, number, index) in enumerate(identities.iterator(500)):
            tell("Indexing", done, len(units))
            anew = _index(unit, number) if number else index
            if anew != index:
                changed += Identity.ever.filter(pk=key).update(**{INDEX: anew})
    return changed


def _told(values: dict[str, Any], unit: int) -> dict[str, Any]:
    """What a correction tells; the index stands in it beside the number that it is of."""
    if not (values.get(INDEX) and values.get(NUMBER)):
        return values
    return values | {INDEX: _index(unit, values[NUMBER])}


def _index(unit: int, number: str) -> str:
    try:
        return sealing.blind_index(unit, sealing.unseal(number))
    except InvalidToken as error:
        raise CannotIndex from error

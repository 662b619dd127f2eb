"""Figures are worked out once for each state of the record: kept by what was asked and the data version."""

import hashlib
from collections.abc import Callable
from typing import TypeVar, cast

from django.core.cache import caches
from django.db import connection
from django.db.models import Sum

from registry.models import DataVersion

_Result = TypeVar("_Result")
_MISSING = object()

# The cache of settings.CACHES that results are kept in.
RESULTS = "results"


def data_version() -> int:
    """How many writes to the record were committed, or made in this transaction; one cheap query."""
    return int(DataVersion.objects.aggregate(writes=Sum("writes"))["writes"] or 0)


def remembered(what: str, parts: tuple[object, ...], compute: Callable[[], _Result]) -> _Result:
    """What `compute` gives, worked out again only when the record, the question or its parts changed.

    Parameters
    ----------
    what : names the question
    parts : all that the answer depends on beside the record; each must tell itself fully by its repr
    compute : works the answer out; called at most once, with the record at hand

    Notes
    -----
    The version is read before counting. A write in between leaves a fresher answer under the older version,
    which nobody asks for again once the write is seen; a stale one cannot be kept. Nothing is kept within a
    transaction: what it sees may be rolled back, and another write take its version.
    """
    if connection.in_atomic_block:
        return compute()
    key = hashlib.sha256(repr((what, parts, data_version())).encode()).hexdigest()
    kept = caches[RESULTS]
    found = kept.get(key, _MISSING)
    if found is _MISSING:
        found = compute()
        kept.set(key, found)
    return cast(_Result, found)

"""A cache in the memory of its process that is bounded by bytes, whatever the size of what is kept.

Django's own counts entries, and an entry of a nation's repairs is a thousand times as large as a unit's.
"""

import pickle
from dataclasses import dataclass, field
from threading import Lock
from typing import Any

from cachetools import LRUCache
from django.core.cache.backends.base import DEFAULT_TIMEOUT, BaseCache

# What an entry takes beside its value: its key and its places in the tables of the cache.
OVERHEAD_BYTES = 400


@dataclass(frozen=True, slots=True)
class _Store:
    """What all threads of the process share."""

    kept: LRUCache[str, bytes]
    lock: Lock = field(default_factory=Lock)


# Django makes a cache for each thread anew; those of one name share what is kept.
_stores: dict[str, _Store] = {}
_making = Lock()


class BoundedCache(BaseCache):
    """Keeps values for good, pickled; the least recently used go first once OPTIONS["BYTES"] are full.

    A value larger than that is not kept. Time-outs are not known: who asks names what makes a value stale.
    """

    def __init__(self, location: str, params: dict[str, Any]) -> None:
        super().__init__(params)
        with _making:
            fresh = _Store(LRUCache(params["OPTIONS"]["BYTES"], getsizeof=_bytes_of))
            self._store = _stores.setdefault(location, fresh)

    def get(self, key: str, default: Any = None, version: int | None = None) -> Any:
        with self._store.lock:
            found = self._store.kept.get(self.make_key(key, version))
        return default if found is None else pickle.loads(found)  # noqa: S301 - pickled by this process

    def set(
        self,
        key: str,
        value: Any,
        timeout: float | int | None = DEFAULT_TIMEOUT,
        version: int | None = None,
    ) -> None:
        pickled = pickle.dumps(value, pickle.HIGHEST_PROTOCOL)
        if _bytes_of(pickled) > self._store.kept.maxsize:
            return
        with self._store.lock:
            self._store.kept[self.make_key(key, version)] = pickled

    def clear(self) -> None:
        with self._store.lock:
            self._store.kept.clear()

    @property
    def bytes_kept(self) -> int:
        return int(self._store.kept.currsize)


def _bytes_of(pickled: bytes) -> int:
    return len(pickled) + OVERHEAD_BYTES

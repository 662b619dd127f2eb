"""A cache in the memory of its process that is bounded by bytes, whatever the size of what is kept.

Django's own counts entries, and an entry of a nation's repairs is a thousand times as large as a unit's.
"""

import pickle
from threading import Lock
from typing import Any

from cachetools import LRUCache
from django.core.cache.backends.base import DEFAULT_TIMEOUT, BaseCache


class BoundedCache(BaseCache):
    """Keeps values for good, pickled; the least recently used go first once OPTIONS["BYTES"] are full.

    A value larger than that is not kept. Time-outs are not known: who asks names what makes a value stale.
    """

    def __init__(self, _location: str, params: dict[str, Any]) -> None:
        super().__init__(params)
        self._kept: LRUCache[str, bytes] = LRUCache(params["OPTIONS"]["BYTES"], getsizeof=len)
        self._lock = Lock()

    def get(self, key: str, default: Any = None, version: int | None = None) -> Any:
        with self._lock:
            found = self._kept.get(self.make_key(key, version))
        return default if found is None else pickle.loads(found)  # noqa: S301 - pickled by this process

    def set(
        self,
        key: str,
        value: Any,
        timeout: float | int | None = DEFAULT_TIMEOUT,
        version: int | None = None,
    ) -> None:
        pickled = pickle.dumps(value, pickle.HIGHEST_PROTOCOL)
        if len(pickled) > self._kept.maxsize:
            return
        with self._lock:
            self._kept[self.make_key(key, version)] = pickled

    def clear(self) -> None:
        with self._lock:
            self._kept.clear()

    @property
    def bytes_kept(self) -> int:
        return int(self._kept.currsize)

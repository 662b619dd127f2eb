"""Two questions that a container or a load balancer asks: is it alive, and can it serve.

Strangers can ask as well, so the answer is one word; what is missing is told in the log.
"""

import logging
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from cryptography.fernet import InvalidToken
from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import ImproperlyConfigured
from django.db import Error, connection
from django.db.migrations.loader import MigrationLoader
from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from outcomes.models import keeping
from registry import sealing
from registry.models import triggers
from registry.models.cross_rules import CROSS_RULES
from registry.models.history_rules import history_rules

logger = logging.getLogger(__name__)

# Room below which a release or an intake would break off in the middle.
ROOM_BYTES = 200 * 1024 * 1024
# An answer holds for so long, however often strangers ask.
HOLDS_SECONDS = 5.0


@login_not_required
@require_safe
def health(request: HttpRequest) -> HttpResponse:
    """Alive: this process answers. Who finds it silent may start it anew."""
    return HttpResponse("ok", content_type="text/plain; charset=utf-8")


@login_not_required
@require_safe
def ready(request: HttpRequest) -> HttpResponse:
    """200 when people may be sent here, 503 when not."""
    if _state.is_ready():
        return HttpResponse("ready", content_type="text/plain; charset=utf-8")
    return HttpResponse("not ready", status=503, content_type="text/plain; charset=utf-8")


class _State:
    """What was found last, and when."""

    def __init__(self) -> None:
        self._found, self._at = False, float("-inf")

    def is_ready(self) -> bool:
        if time.monotonic() - self._at > HOLDS_SECONDS:
            self._found, self._at = not list(missing()), time.monotonic()
        return self._found


_state = _State()


def missing() -> Iterator[str]:
    """What the site lacks to serve, by name; each told in the log with its cause."""
    for check, holds in CHECKS.items():
        try:
            problem, there = None, holds()
        except (Error, ImproperlyConfigured, OSError, ValueError, InvalidToken) as error:
            problem, there = error, False
        if not there:
            logger.error("Not ready.", extra={"check": check}, exc_info=problem)
            yield check


def _migrations() -> bool:
    """Every migration is applied; asked first, it also tells whether the database answers."""
    loader = MigrationLoader(connection)
    return set(loader.graph.leaf_nodes()) <= set(loader.applied_migrations)


def _triggers() -> bool:
    """The database itself holds every rule of the record and of what was released."""
    rules = (*CROSS_RULES, *history_rules(), *keeping.rules())
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT tgname FROM pg_trigger WHERE NOT tgisinternal")
            wanted = {rule.name for rule in rules}
        else:
            cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
            wanted = {name for rule in rules for name in triggers.names_on_sqlite(rule)}
        return wanted <= {name for (name,) in cursor.fetchall()}


def _keys() -> bool:
    return sealing.unseal(sealing.seal("ready")) == "ready"


def _room() -> bool:
    folders = [Path(settings.RELEASES_DIR)]
    database: Any = settings.DATABASES["default"]
    if database["ENGINE"].endswith("sqlite3"):
        folders.append(Path(database["NAME"]).parent)
    return all(shutil.disk_usage(_existing(each)).free > ROOM_BYTES for each in folders)


def _existing(folder: Path) -> Path:
    """The folder, or the nearest above it: one that is made on first use lies there."""
    return folder if folder.exists() or folder == folder.parent else _existing(folder.parent)


CHECKS: dict[str, Callable[[], bool]] = {
    "migrations": _migrations,
    "triggers": _triggers,
    "keys": _keys,
    "room": _room,
}

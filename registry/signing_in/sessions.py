"""Sessions, kept in rows that say whose they are, since when, when they were last seen and from where.

Each ends by its row, whatever the cookie says: so long after it was last seen, and so long after it began.
The end stands in `expire_date`, so that Django's own look-up refuses what has ended and `clearsessions`
clears it away. A session that is nobody's (a patient's, or what was typed when a session had ended) knows no
idle limit: it opens no record, and what was typed has to wait for its person.

settings.SESSION_ENGINE. Django's way of extending database-backed sessions: docs, topics/http/sessions.
"""

from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.contrib.auth import SESSION_KEY
from django.contrib.auth.signals import user_logged_in
from django.contrib.sessions.backends.db import SessionStore as DatabaseStore
from django.db.models import QuerySet
from django.dispatch import receiver
from django.http import HttpRequest
from django.utils import timezone

from registry.models import BrowserSession, User

# How often at most a session that is only read is written, to say when it was seen.
SEEN_EVERY = timedelta(minutes=1)


class SessionStore(DatabaseStore):
    """A session with its row. `address` and `browser` are those of the request being answered."""

    _row: BrowserSession | None = None
    address: str | None = None
    browser: str = ""

    @classmethod
    def get_model_class(cls) -> type[BrowserSession]:
        return BrowserSession

    def load(self) -> dict[str, Any]:
        self._row = self._get_session_from_db()  # type: ignore[attr-defined]
        if self._row is None:
            return {}
        self._note_seen(self._row)
        return self.decode(self._row.session_data)

    def create_model_instance(self, data: dict[str, Any]) -> BrowserSession:
        made = super().create_model_instance(data)
        row = self._row or BrowserSession()
        row.session_key, row.session_data = made.session_key, made.session_data
        row.user_id = data.get(SESSION_KEY)
        self._see(row)
        self._row = row
        return row

    def save(self, must_create: bool = False) -> None:
        if must_create and self._row is not None:
            # The same session under a new key: it began when it began.
            self._row = BrowserSession(began_at=self._row.began_at)
        super().save(must_create)

    def flush(self) -> None:
        super().flush()
        self._row = None

    def begin_anew(self) -> None:
        """Its person has just signed in: under a new key, and the longest time runs from here.

        Django's `login` changes the key only where nobody was signed in before.
        """
        self.cycle_key()
        if self._row is not None:
            self._row.began_at = timezone.now()

    def _note_seen(self, row: BrowserSession) -> None:
        # A moment still to come means that the clock was set back: idleness is counted from the new one.
        if timedelta() <= timezone.now() - row.seen_at < SEEN_EVERY:
            return
        self._see(row)
        BrowserSession.objects.filter(pk=row.pk).update(
            began_at=row.began_at,
            seen_at=row.seen_at,
            expire_date=row.expire_date,
            address=row.address,
            browser=row.browser,
        )

    def _see(self, row: BrowserSession) -> None:
        now = timezone.now()
        row.seen_at, row.began_at = now, min(row.began_at, now)
        row.expire_date = end_of(row)
        # Of a patient neither is kept.
        if row.user_id and self.address:
            row.address, row.browser = self.address, self.browser


def end_of(row: BrowserSession) -> datetime:
    """When a session ends if it is not seen again."""
    last = row.began_at + timedelta(hours=settings.SESSION_HOURS)
    if not row.user_id:
        return last
    return min(last, row.seen_at + timedelta(minutes=settings.SESSION_IDLE_MINUTES))


def open_sessions(person: User) -> QuerySet[BrowserSession]:
    """A person's sessions that have not ended, the one last seen first."""
    standing = BrowserSession.objects.filter(user=person, expire_date__gt=timezone.now())
    return standing.order_by("-seen_at", "-began_at")


def end_all(person: User, but: str | None = None) -> int:
    """End a person's sessions at once, but for the one with this key; how many had not ended yet."""
    others = BrowserSession.objects.filter(user=person).exclude(session_key=but or "")
    count = others.filter(expire_date__gt=timezone.now()).count()
    others.delete()
    return count


@receiver(user_logged_in, dispatch_uid="signing in begins a session anew")
def _signing_in_begins_anew(request: HttpRequest, **_: Any) -> None:
    begin_anew = getattr(request.session, "begin_anew", None)
    if begin_anew:
        begin_anew()

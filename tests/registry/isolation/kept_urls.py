"""Pages that show what a session was told, and pages that end badly within the scope of their asker."""

import json

from django.contrib.auth.decorators import login_not_required
from django.db import connection, transaction
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.urls import path

from registry.isolation import scope

LOOK = (
    "SELECT pg_backend_pid(), current_setting('rimward.units', true), "
    "current_setting('rimward.person', true), current_setting('rimward.house', true), "
    "current_setting('statement_timeout'), current_user, "
    "(SELECT coalesce(json_agg(id::text ORDER BY id), '[]') FROM registry_patient)::text"
)


def looked() -> dict[str, object]:
    """What this thread's session was told, and the patients that it shows, by key."""
    with connection.cursor() as cursor:
        cursor.execute(LOOK)
        pid, units, person, house, limit, role, patients = cursor.fetchone()
    return {
        "pid": pid,
        "told": [units or "", person or "", house or ""],
        "limit": limit,
        "role": role,
        "patients": json.loads(patients),
    }


@login_not_required
def shown(request: HttpRequest) -> JsonResponse:
    return JsonResponse(looked())


def raises(request: HttpRequest) -> HttpResponse:
    with transaction.atomic(), scope.whole_house(), scope.long_work():
        assert looked()["patients"]
        raise ValueError("in the middle")


def left_open(request: HttpRequest) -> JsonResponse:
    """A transaction begun without Django's knowledge and never ended, told of its scope within."""
    with connection.cursor() as cursor:
        cursor.execute("BEGIN")
    return shown(request)


def cut_off(request: HttpRequest) -> HttpResponse:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_terminate_backend(pg_backend_pid())")
    return HttpResponse()


def too_slow(request: HttpRequest) -> HttpResponse:
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_sleep(30)")
    return HttpResponse()


def locked_elsewhere(request: HttpRequest) -> HttpResponse:
    """A statement that fails within a wider scope says itself what went wrong, not what is told after it."""
    with transaction.atomic(), scope.whole_house(), connection.cursor() as cursor:
        cursor.execute("DO $$ BEGIN RAISE EXCEPTION 'locked' USING ERRCODE = 'lock_not_available'; END $$")
    return HttpResponse()


def idle_for_too_long(request: HttpRequest) -> HttpResponse:
    """The server ends a session that is left idle within a transaction."""
    import time

    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT 1")
        time.sleep(1.5)
        cursor.execute("SELECT 1")
    return HttpResponse()


ENDING_BADLY = (raises, left_open, cut_off, too_slow, locked_elsewhere, idle_for_too_long)
urlpatterns = [path(f"{view.__name__}/", view) for view in (shown, *ENDING_BADLY)]
handler500 = "registry.site.error_pages.server_error"

"""Requests one after the other in one thread, as a worker of the site answers them; run as a program.

Given a list of [path, who] as JSON it prints, for each, the status, what was answered, and what the thread's
session is told and shows once the request is over. END for a path ends that session from outside.
"""

import json
import os
import sys
from typing import Any

import django
import psycopg
from django.conf import settings

END = "end the session"


def main(steps: list[list[str]]) -> None:
    from django.core.wsgi import get_wsgi_application

    site = get_wsgi_application()
    settings.ROOT_URLCONF = "tests.registry.isolation.kept_urls"
    cookies = {who: _cookie(who) for _, who in steps if who}
    print(json.dumps([_step(site, path, cookies.get(who, "")) for path, who in steps]))  # noqa: T201


def _step(site: Any, path: str, cookie: str) -> dict[str, Any]:
    from django.db import connection
    from django.test import RequestFactory

    from tests.registry.isolation.kept_urls import looked

    if path == END:
        with psycopg.connect(os.environ["DATABASE_URL"]) as other:
            other.execute("SELECT pg_terminate_backend(%s)", [connection.connection.info.backend_pid])
        return {"status": 0}
    told: list[str] = []
    environ = RequestFactory()._base_environ(PATH_INFO=path, HTTP_COOKIE=cookie, HTTP_HOST="localhost")
    answer = site(environ, lambda status, headers: told.append(status))
    body = b"".join(answer)
    # As gunicorn does: Django then looks whether the connection is to be kept.
    answer.close()
    kept = connection.connection is not None
    return {
        "status": int(told[0].split()[0]),
        "answered": json.loads(body) if body.startswith(b"{") else {},
        "kept": kept,
        "after": looked(),
    }


def _cookie(who: str) -> str:
    from django.test import Client

    from registry.models import User

    client = Client()
    client.force_login(User.objects.get(username=who))
    return f"{settings.SESSION_COOKIE_NAME}={client.cookies[settings.SESSION_COOKIE_NAME].value}"


if __name__ == "__main__":
    django.setup()
    main(json.loads(sys.argv[1]))

"""What every answer says of keeping and of where one came from, and what is told in place of a page."""

import json
import re
import sqlite3
from typing import Any

import psycopg
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import InterfaceError, OperationalError, connection
from django.test import Client, RequestFactory

from registry.intake.file.limits import LIMIT_BYTES
from registry.recording import ChangedMeanwhile
from registry.site.busy import Busy
from tests.conftest import Cast

pytestmark = pytest.mark.any_engine

FORGED = "Not sent from this site"


def test_no_page_may_be_kept_that_does_not_say_otherwise_itself(cast: Cast) -> None:
    for path in ("/", "/help/", "/repairs/", "/nowhere/", f"/knees/{cast.knee.uuid}/story/", "/sign-in/"):
        assert "no-store" in cast.client("surgeon").get(path).headers["Cache-Control"], path


@pytest.mark.parametrize("path", ["/r/a-token/", "/invited/a-token/"])
def test_a_page_with_a_token_tells_no_page_its_address(db: None, client: Client, path: str) -> None:
    assert client.get(path).headers["Referrer-Policy"] == "strict-origin"


def test_a_form_sent_from_elsewhere_is_refused_in_words(db: None) -> None:
    answer = Client(enforce_csrf_checks=True).post("/sign-in/", {"username": "oak"})
    assert answer.status_code == 403
    assert FORGED in answer.text
    assert answer.headers["X-Request-ID"] in answer.text


def test_more_than_a_page_takes_is_refused_before_it_is_read(client: Client) -> None:
    answer = client.post("/sign-in/", {"username": "o" * 2_600_000})
    assert answer.status_code == 413
    assert "nothing of it was read or saved" in answer.text


@pytest.mark.parametrize("method", ["TRACE", "trace", "CONNECT", "PROPFIND"])
@pytest.mark.parametrize(
    "path", ["/", "/help/", "/repairs/", "/sign-in/", "/health/", "/nowhere/", "/api/v1/knees/"]
)
def test_a_method_that_no_page_knows_is_answered_nowhere(cast: Cast, method: str, path: str) -> None:
    for client in (Client(), cast.client("surgeon")):
        answer = client.generic(method, path, headers={"Cookie-Echo": "canary"})
        assert answer.status_code == 405
        assert "TRACE" not in answer.headers["Allow"]
        assert "canary" not in answer.text
        assert answer.headers["X-Request-ID"] in answer.text
        assert answer.headers["Cache-Control"] == "no-store"


def test_a_file_is_refused_where_no_page_takes_one(client: Client) -> None:
    sent = {"file": SimpleUploadedFile("a.csv", b"a" * 2_600_000)}
    assert client.post("/sign-in/", sent).status_code == 413


def test_intake_takes_files_and_says_itself_what_is_too_large(cast: Cast) -> None:
    client = cast.client("administrator")
    size = str(LIMIT_BYTES + 5_000_000)
    boundary = "multipart/form-data; boundary=b"
    cut = client.generic("POST", "/intake/new/", b"--b--\r\n", boundary, CONTENT_LENGTH=size)
    assert cut.status_code != 413
    far = client.generic("POST", "/intake/new/", b"", boundary, CONTENT_LENGTH=str(3 * LIMIT_BYTES))
    assert far.status_code == 413


def test_more_fields_than_any_page_has_are_refused(client: Client) -> None:
    answer = client.post("/sign-in/", {f"field-{number}": "1" for number in range(1001)})
    assert answer.status_code == 400
    assert "Nothing was saved" in answer.text


def test_a_program_is_told_in_its_own_form(client: Client) -> None:
    answer = client.post("/api/v1/patients/find/", "[" + "1," * 1_300_000 + "1]", "application/json")
    assert (answer.status_code, answer.headers["Content-Type"]) == (413, "application/problem+json")
    told = json.loads(answer.content)
    assert told["title"]
    assert told["request_id"] == answer.headers["X-Request-ID"]


def _error(cause: Exception) -> OperationalError:
    error = OperationalError("with a value in it")
    error.__cause__ = cause
    return error


def _sqlite_busy() -> Exception:
    error = sqlite3.OperationalError("database is locked")
    error.sqlite_errorname = "SQLITE_BUSY"
    return error


@pytest.mark.parametrize(
    "cause",
    [
        psycopg.errors.DeadlockDetected(),
        psycopg.errors.SerializationFailure(),
        psycopg.errors.LockNotAvailable(),
        psycopg.errors.QueryCanceled(),
        _sqlite_busy(),
    ],
)
def test_what_will_pass_is_told_as_such(rf: RequestFactory, cause: Exception) -> None:
    answer = Busy(None).process_exception(rf.get("/"), _error(cause))
    assert answer is not None
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "5")
    assert "send it again" in answer.text
    assert "with a value in it" not in answer.text


def test_who_came_second_is_told_so(rf: RequestFactory) -> None:
    answer = Busy(None).process_exception(rf.get("/"), ChangedMeanwhile([]))
    assert answer is not None
    assert answer.status_code == 409
    assert "your change was not made" in answer.text


def _sqlite_full() -> Exception:
    error = sqlite3.OperationalError("database or disk is full")
    error.sqlite_errorname = "SQLITE_FULL"
    return error


def _told_by_the_site(client: Client, path: str, error: Exception) -> Any:
    """What the site answers when the database breaks at a request's first question."""

    def broken(*_: Any, **__: Any) -> None:
        raise error

    client.raise_request_exception = False
    with connection.execute_wrapper(broken):
        return client.get(path)


OUT_OF_SERVICE = [
    _error(psycopg.OperationalError("lost, with a value in it")),
    _error(psycopg.errors.AdminShutdown()),
    _error(psycopg.errors.DiskFull()),
    _error(psycopg.errors.TooManyConnections()),
    _error(_sqlite_full()),
    InterfaceError("connection already closed"),
]


@pytest.mark.parametrize("error", OUT_OF_SERVICE, ids=lambda error: repr(error.__cause__ or error))
def test_a_database_out_of_service_is_told_in_words(cast: Cast, error: Exception) -> None:
    page = _told_by_the_site(cast.client("surgeon"), "/repairs/", error)
    assert page.status_code == 503
    assert "Nobody knows yet whether a change" in page.text
    keyed = Client(headers={"Authorization": "Bearer anything"})
    problem = _told_by_the_site(keyed, "/api/v1/patients/", error)
    assert (problem.status_code, problem.headers["Content-Type"]) == (503, "application/problem+json")
    assert "cannot be reached" in problem.json()["detail"]
    assert "with a value in it" not in page.text + problem.text


@pytest.mark.parametrize("error", [_error(psycopg.errors.UndefinedTable()), ValueError("ours")])
def test_a_defect_is_no_matter_of_the_database(cast: Cast, error: Exception) -> None:
    page = _told_by_the_site(cast.client("surgeon"), "/repairs/", error)
    assert page.status_code == 500
    assert "Something broke" in page.text


@pytest.mark.parametrize("error", [_error(psycopg.OperationalError("lost")), ValueError("ours")])
def test_a_defect_and_a_lost_line_are_no_passing_matter(rf: RequestFactory, error: Exception) -> None:
    assert Busy(None).process_exception(rf.get("/"), error) is None


@pytest.mark.parametrize(
    ("trusted", "said", "is_taken"),
    [
        (True, "0af7651916cd43dd8448eb211c80319c", True),
        (True, "0af76519-16cd-43dd-8448-eb211c80319c", True),
        (True, "0af7651916cd43dd8448eb211c80319c;", False),
        (True, "0af7651916cd43dd8448eb211c80319\N{ARABIC-INDIC DIGIT NINE}", False),
        (True, "", False),
        (False, "0af7651916cd43dd8448eb211c80319c", False),
    ],
)
def test_the_id_of_a_request(client: Client, settings: Any, trusted: bool, said: str, is_taken: bool) -> None:
    settings.BEHIND_TLS_PROXY = trusted
    answered = client.get("/health/", headers={"X-Request-ID": said}).headers["X-Request-ID"]
    assert (answered == said) is is_taken
    assert is_taken or re.fullmatch("[0-9a-f]{32}", answered)

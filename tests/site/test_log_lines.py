"""A line never tells a value, whoever logs and however; the same record told as usual would.

The whole site is looked at in test_canaries.py; here each way that a value can take into a record, by itself.
"""

import json
import logging
import sqlite3
import sys
from collections.abc import Callable, Iterator
from typing import Any

import psycopg
import pytest
from django.core.exceptions import ImproperlyConfigured, ValidationError
from django.db import IntegrityError

from registry.site.log_lines import Line, request_id
from tests.site.canaries import canary, found_in

SAID = canary("a line")


def record(logger: str, message: Any, *given: Any, problem: BaseException | None = None) -> logging.LogRecord:
    trace = (type(problem), problem, problem.__traceback__) if problem else None
    return logging.LogRecord(logger, logging.ERROR, __file__, 1, message, given, trace, "here")


def raised(kind: Callable[[str], BaseException], cause: BaseException | None = None) -> BaseException:
    told = SAID  # a local variable of the frame
    try:
        raise kind(told) from cause
    except BaseException as error:
        return error


def records() -> Iterator[logging.LogRecord]:
    for logger in (
        "registry.pages",
        "outcomes.cache",
        "django.request",
        "axes",
        "gunicorn.error",
        "urllib3",
        "",
    ):
        yield record(logger, "Told: %s", SAID)
        yield record(logger, ValueError(SAID))
        yield record(logger, "Told.", problem=raised(ValueError))
        yield record(logger, "Told.", problem=raised(IntegrityError, raised(psycopg.errors.UniqueViolation)))
        yield record(logger, "Told.", problem=raised(IntegrityError, raised(sqlite3.IntegrityError)))
        yield record(logger, "Told.", problem=raised(lambda said: ExceptionGroup(said, [KeyError(said)])))
        yield record(logger, "Told.", problem=raised(lambda said: ValidationError({"field": said})))
    for logger in ("django.request", "urllib3", "gunicorn.error", "py.warnings"):
        yield record(logger, f"Put together with {SAID}")


@pytest.mark.parametrize("each", [*records()], ids=lambda each: each.name)
def test_no_value_is_told(each: logging.LogRecord) -> None:
    assert found_in(logging.Formatter().format(each)) == {"a line"}, "as usual it would be"
    assert found_in(Line().format(each)) == set()


def test_what_is_put_beside_the_text_is_told_by_name_alone() -> None:
    ours, others = record("registry.pages", "Answered."), record("urllib3", "Answered.")
    for each in (ours, others):
        vars(each).update(status=200, request=SAID, sql=SAID)
    assert json.loads(Line().format(ours))["status"] == 200
    assert "status" not in json.loads(Line().format(others))
    assert not found_in(Line().format(ours) + Line().format(others))


def test_kind_chain_place_and_codes_of_an_error_are_told() -> None:
    cause = raised(psycopg.errors.UniqueViolation)
    told = json.loads(
        Line().format(record("registry.pages", "Broke off.", problem=raised(IntegrityError, cause)))
    )
    first, second = told["problem"]
    assert first["kind"] == "django.db.utils.IntegrityError"
    assert (second["kind"], second["sqlstate"]) == ("psycopg.errors.UniqueViolation", "23505")
    assert first["frames"][-1].startswith("tests/site/test_log_lines.py:")
    assert first["frames"][-1].endswith(" raised")
    assert (told["level"], told["logger"], told["said"]) == ("ERROR", "registry.pages", "Broke off.")


def test_what_is_wrong_with_a_setting_is_said() -> None:
    problem = ImproperlyConfigured("SITE_URL is no address")
    told = json.loads(Line().format(record("registry.site", "Broke off.", problem=problem)))
    assert told["problem"][0]["said"] == "SITE_URL is no address"


def test_a_ring_of_causes_comes_to_an_end() -> None:
    first, second = ValueError(), KeyError()
    first.__cause__, second.__cause__ = second, first
    assert len(json.loads(Line().format(record("a", "b", problem=first)))["problem"]) == 2


def test_every_line_within_a_request_carries_its_id() -> None:
    token = request_id.set("0af7651916cd43dd8448eb211c80319c")
    try:
        told = json.loads(Line().format(record("django.request", "%s", SAID)))
    finally:
        request_id.reset(token)
    assert told["request_id"] == "0af7651916cd43dd8448eb211c80319c"
    assert "request_id" not in json.loads(Line().format(record("django.request", "%s", SAID)))


def test_every_handler_writes_such_lines(settings: Any) -> None:
    assert {each["formatter"] for each in settings.LOGGING["handlers"].values()} == {"line"}
    names = [None, *logging.root.manager.loggerDict]
    ours = [handler for name in names for handler in logging.getLogger(name).handlers]
    writing = [each for each in ours if type(each) is logging.StreamHandler and each.stream is sys.__stderr__]
    assert all(isinstance(each.formatter, Line) for each in writing)
    assert not logging.raiseExceptions

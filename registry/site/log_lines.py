"""One JSON object a line, and never a value: what went into a message, what an error says, what a frame held.

Errors of databases quote what was typed ("Key (x)=(y) already exists"), errors of parsers what they read, and
a message may hold either. So of a message only its constant text is told, and of an error its kind, the chain
that led to it and where in the code it happened. The line itself is made by python-json-logger.
"""

import logging
import sys
from collections.abc import Iterator
from contextvars import ContextVar
from pathlib import Path
from traceback import walk_tb
from types import TracebackType
from typing import Any

from django.core.exceptions import ImproperlyConfigured
from environs.exceptions import EnvError
from pythonjsonlogger.json import JsonFormatter

# Of the request that is being answered, in this thread.
request_id: ContextVar[str] = ContextVar("request_id", default="")

OURS = ("registry", "outcomes")
# Whose messages with arguments have a constant text; of all others only the place is told.
CONSTANT_TEXTS = (*OURS, "django", "gunicorn", "axes")
# What our own lines may say beside their text. None of it is of a record.
FIELDS = ("method", "route", "status", "ms", "user", "kind", "raised_at", "check")
# Raised of settings, before there is a record to quote from.
SAYS_NOTHING_OF_A_RECORD = (EnvError, ImproperlyConfigured)
FRAMES_TOLD = 40

_PROJECT = str(Path(__file__).resolve().parents[2])
_LIBRARIES = ("/site-packages/", f"/python{sys.version_info.major}.{sys.version_info.minor}/")


class Line(JsonFormatter):
    """The formatter of every handler."""

    def __init__(self) -> None:
        super().__init__(
            "{levelname}{name}{message}",
            style="{",
            timestamp="at",
            rename_fields={"levelname": "level", "name": "logger", "message": "said"},
        )

    def format(self, record: logging.LogRecord) -> str:
        return super().format(_without_values(record))


def _without_values(record: logging.LogRecord) -> logging.LogRecord:
    """Another record, of what may be told alone."""
    told = logging.LogRecord(record.name, record.levelno, "", 0, _constant_text(record), None, None)
    told.created = record.created
    ours = _is_of(record.name, OURS)
    told.__dict__.update({name: record.__dict__[name] for name in FIELDS if ours and name in record.__dict__})
    if not ours:
        told.__dict__["where"] = place(record.pathname, record.lineno)
    if said := request_id.get():
        told.__dict__["request_id"] = said
    problem = record.exc_info[1] if record.exc_info else None
    if problem:
        told.__dict__["problem"] = [_problem(each) for each in _chain(problem)]
    return told


def _constant_text(record: logging.LogRecord) -> str:
    text = record.msg if isinstance(record.msg, str) else ""
    if _is_of(record.name, OURS) or (record.args and _is_of(record.name, CONSTANT_TEXTS)):
        return text
    # It may have been put together with values.
    return ""


def _is_of(name: str, roots: tuple[str, ...]) -> bool:
    return name.partition(".")[0] in roots


def _chain(problem: BaseException) -> Iterator[BaseException]:
    """A problem, what it came of, what that came of ..., and each problem of a group."""
    waiting, seen = [problem], set()
    while waiting:
        each = waiting.pop(0)
        if id(each) in seen:
            continue
        seen.add(id(each))
        yield each
        cause = each.__cause__ or (None if each.__suppress_context__ else each.__context__)
        waiting += [cause] if cause else []
        waiting += each.exceptions if isinstance(each, BaseExceptionGroup) else ()


def _problem(problem: BaseException) -> dict[str, Any]:
    """Kind and frames, and codes and names of the database that no value is part of."""
    kind = type(problem)
    told: dict[str, Any] = {"kind": f"{kind.__module__}.{kind.__qualname__}"}
    if isinstance(problem, SAYS_NOTHING_OF_A_RECORD):
        told["said"] = str(problem)
    diagnosis = getattr(problem, "diag", None)
    codes = {
        "sqlstate": getattr(problem, "sqlstate", None),
        "constraint": getattr(diagnosis, "constraint_name", None),
        "sqlite": getattr(problem, "sqlite_errorname", None),
        "errno": getattr(problem, "errno", None),
    }
    told |= {name: code for name, code in codes.items() if code}
    told["frames"] = frames(problem.__traceback__)
    return told


def frames(trace: TracebackType | None) -> list[str]:
    """Where it went through, outermost first: file, line and function."""
    told = [
        f"{place(frame.f_code.co_filename, line)} {frame.f_code.co_name}" for frame, line in walk_tb(trace)
    ]
    return told[-FRAMES_TOLD:]


def place(file: str, line: int) -> str:
    """A place in the code, from the project's or a library's folder on."""
    for folder in _LIBRARIES:
        file = file.rpartition(folder)[2]
    return f"{file.removeprefix(_PROJECT).lstrip('/')}:{line}"

"""Where log lines go: to standard error, one JSON object each, whoever writes them (see log_lines.py)."""

import logging
import logging.config
import sys
import threading
import warnings
from typing import Any

from registry.site.log_lines import place

UNFORESEEN = logging.getLogger("registry.unforeseen")


def logging_settings(level: str) -> dict[str, Any]:
    """Everything through one handler; Django's own handlers, which tell more, are taken away."""
    through_the_root: dict[str, Any] = {"handlers": [], "propagate": True}
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {"line": {"()": "registry.site.log_lines.Line"}},
        "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
        "root": {"handlers": ["stderr"], "level": level},
        "loggers": {
            "django": {**through_the_root, "level": "NOTSET"},
            # At DEBUG their records carry whole pages' contexts and statements' values, for whoever listens.
            "django.template": {**through_the_root, "level": "INFO"},
            "django.db.backends": {**through_the_root, "level": "INFO"},
            # Our own line of each request tells of every answer; these repeat those below 500.
            "django.request": {**through_the_root, "level": "ERROR"},
            "django.server": {**through_the_root, "level": "ERROR"},
        },
    }


def configure(settings: dict[str, Any]) -> None:
    """What Django calls to set up logging: also whatever else would write to standard error by itself."""
    logging.config.dictConfig(settings)
    # When a line cannot be written, logging would print the message with its arguments.
    logging.raiseExceptions = False
    warnings.showwarning = _warned
    # Only where nobody, such as a test runner, listens already.
    if sys.excepthook is sys.__excepthook__:
        sys.excepthook = _broke_off
    if threading.excepthook is threading.__excepthook__:
        threading.excepthook = lambda told: _broke_off(told.exc_type, told.exc_value, told.exc_traceback)
    if sys.unraisablehook is sys.__unraisablehook__:
        sys.unraisablehook = lambda told: _broke_off(told.exc_type, told.exc_value, told.exc_traceback)


def _broke_off(kind: Any, problem: Any, trace: Any) -> None:
    UNFORESEEN.critical("Broke off.", exc_info=(kind, problem, trace))


def _warned(
    message: Any, category: type[Warning], filename: str, lineno: int, file: Any = None, line: Any = None
) -> None:
    told = {"kind": category.__name__, "raised_at": place(filename, lineno)}
    logging.getLogger("registry.warnings").warning("A warning of Python.", extra=told)

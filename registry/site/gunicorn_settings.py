"""How gunicorn serves the site: how many at once, what it writes, how it stops. docker-compose.yml names it.

On SIGTERM the listening sockets are closed and requests in hand are finished, for up to `graceful_timeout`.
"""

import gc
from typing import Any

import gunicorn.http.wsgi
from environs import Env, validate

# Programs need not know what serves; "Server: gunicorn" would say so in every answer.
gunicorn.http.wsgi.SERVER = "Rimward"

_env = Env()
# Processes, and threads in each. Every thread keeps one connection to the database.
workers = _env.int("WEB_CONCURRENCY", 2, validate=validate.Range(min=1, max=64))
threads = _env.int("WEB_THREADS", 4, validate=validate.Range(min=1, max=32))
# A worker is replaced after about so many requests; 0: never. Its kept results go with it.
max_requests = _env.int("WEB_MAX_REQUESTS", 0, validate=validate.Range(min=0, max=1_000_000))
# Lest all workers are replaced at once.
max_requests_jitter = max_requests // 10
# Loaded once and forked, so that workers share its memory. SIGHUP then loads no new code: start it anew.
preload_app = True

worker_class = "registry.site.gunicorn_worker.ClosingWorker"
# docker-compose.yml waits a little longer before it kills.
graceful_timeout = 30
# The site's own line for each request tells less than an access log would (registry/site/request_log.py).
accesslog = None
logconfig_dict = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"()": "registry.site.log_lines.Line"}},
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["stderr"], "level": "INFO"},
    "loggers": {
        "gunicorn.error": {"handlers": ["stderr"], "level": "INFO", "propagate": False},
        "gunicorn.access": {"handlers": [], "level": "CRITICAL", "propagate": False},
    },
}


def when_ready(server: Any) -> None:
    """Before the first worker is forked: load every page's code, and leave no connection to be shared."""
    from django.db import connections
    from django.urls import get_resolver

    _ = get_resolver().url_patterns
    connections.close_all()
    # What a collection of garbage writes into, workers would no longer share.
    gc.collect()
    gc.freeze()

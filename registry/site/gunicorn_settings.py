"""How gunicorn serves the site: what it writes, and how it stops. docker-compose.yml names this file.

On SIGTERM the listening sockets are closed and requests in hand are finished, for up to `graceful_timeout`.
"""

import gunicorn.http.wsgi

# Programs need not know what serves; "Server: gunicorn" would say so in every answer.
gunicorn.http.wsgi.SERVER = "Rimward"

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

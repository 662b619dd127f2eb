"""Mail settings out of one address: smtp://, submission:// (TLS on port 587) or console:."""

from typing import Any

from environs import EnvError

# Seconds until a mail server that says nothing counts as lost.
PATIENCE = 60
BACKENDS = {
    "django.core.mail.backends.smtp.EmailBackend": "registry.reminders.smtp.EmailBackend",
    "django.core.mail.backends.console.EmailBackend": "django.core.mail.backends.console.EmailBackend",
}


def settings_from(parsed: dict[str, Any]) -> dict[str, Any]:
    """Django's settings out of a parsed EMAIL_URL; mail servers are spoken to by our own backend."""
    if parsed.get("EMAIL_BACKEND") not in BACKENDS:
        raise EnvError(
            '"EMAIL_URL" names no mail server. Give smtp://host:port, submission://host or console:.'
        )
    return {
        **parsed,
        "EMAIL_BACKEND": BACKENDS[parsed["EMAIL_BACKEND"]],
        "EMAIL_TIMEOUT": parsed["EMAIL_TIMEOUT"] or PATIENCE,
    }

"""The two ways to a patient. Each says when the message leaves our hands and when it was accepted."""

import smtplib
import sys
from collections.abc import Callable
from contextlib import suppress

from django.conf import settings
from django.core.mail import EmailMessage, get_connection
from django.core.mail.backends.base import BaseEmailBackend

from registry.reminders import sms, smtp
from registry.reminders.refusals import NoService, NotNow, Refused
from registry.reminders.texts import Letter
from registry.vocabulary import Reminding

# Called, in this order, when the message is about to be beyond recall and when it was accepted.
Step = Callable[[], None]
Channel = Callable[[str, Letter, Step, Step], None]

CONSOLE = "django.core.mail.backends.console.EmailBackend"
# A machine wrote it, so no machine should answer (RFC 3834).
HEADERS = {"Auto-Submitted": "auto-generated"}
FOR_GOOD = 500


def by_email(address: str, letter: Letter, handing_over: Step, accepted: Step) -> None:
    """Send through Django's e-mail backend. One connection a message: none of them can have grown stale."""
    connection = _connection(handing_over)
    mail = EmailMessage(letter.subject, letter.body, to=[address], headers=HEADERS, connection=connection)
    try:
        connection.open()
    except OSError as error:
        raise NoService(f"The mail server cannot be reached ({_told(error)}).") from error
    try:
        if not isinstance(connection, smtp.EmailBackend):
            handing_over()
        _hand_to_server(connection, mail)
        accepted()
    finally:
        with suppress(OSError):
            connection.close()


def by_sms(number: str, letter: Letter, handing_over: Step, accepted: Step) -> None:
    """Send the body through the site's service for text messages."""
    service = sms.service()
    handing_over()
    service.send(number, letter.body)
    accepted()


CHANNELS: dict[str, Channel] = {Reminding.EMAIL: by_email, Reminding.SMS: by_sms}


def _connection(handing_over: Step) -> BaseEmailBackend:
    # Standard output belongs to the summary.
    if settings.EMAIL_BACKEND == CONSOLE:
        return get_connection(stream=sys.stderr)
    return get_connection(before_the_dot=handing_over)


def _hand_to_server(connection: BaseEmailBackend, mail: EmailMessage) -> None:
    """Send, and say a server's plain "no" in words. A lost connection passes through as it is."""
    try:
        connection.send_messages([mail])
    except smtplib.SMTPRecipientsRefused as error:
        code = max(code for code, _ in error.recipients.values())
        raise _no(code, f"The mail server refused the address (code {code}).") from error
    except smtplib.SMTPDataError as error:
        raise _no(error.smtp_code, f"The mail server refused the message ({_told(error)}).") from error
    except smtplib.SMTPResponseException as error:
        raise NoService(f"The mail server takes no mail from this site ({_told(error)}).") from error


def _no(code: int, words: str) -> Exception:
    return Refused(words) if code >= FOR_GOOD else NotNow(words)


def _told(error: OSError) -> str:
    """A cause without its own words, which might repeat an address."""
    if isinstance(error, smtplib.SMTPResponseException):
        return f"code {error.smtp_code}"
    return type(error).__name__

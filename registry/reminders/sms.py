"""Text messages: what a service has to offer, and one that only shows them.

A site names the class of its own service in the setting REMINDER_SMS, as a dotted path; it is made without
arguments and reads what it needs from settings or the environment.
"""

import sys
from typing import Protocol

from django.conf import settings
from django.utils.module_loading import import_string


class TextMessages(Protocol):
    """A service that takes text messages."""

    def send(self, number: str, text: str) -> None:
        """Hand over one message; return when the service has accepted it.

        `number` is as the record has it, `text` several short paragraphs. Raise `refusals.Refused` where
        it is certain that nothing is sent and never will be (no such number), `refusals.NotNow` where it is
        certain but a later try may succeed, `refusals.NoService` where nobody gets anything now. Any other
        exception counts as "may have been sent": the message is told of and never sent again. Words of an
        exception must not hold the number.
        """


class Console:
    """Shows the messages on standard error, for a machine of one's own."""

    def send(self, number: str, text: str) -> None:
        sys.stderr.write(f"Text message to {number}\n\n{text}\n")


def service() -> TextMessages:
    """The service that the settings name."""
    made: TextMessages = import_string(settings.REMINDER_SMS)()
    return made

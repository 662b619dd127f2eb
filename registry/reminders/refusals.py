"""Why a message is not sent. No words here hold an address."""

from django.db.models import TextChoices


class Hindrance(TextChoices):
    """What stands in the way of a message to a patient."""

    WITHDRAWN = "withdrawn", "This record was withdrawn, so nothing is sent."
    DIED = "died", "The patient has died, so nothing is sent."
    ENDED = "ended", "The patient's follow-up has ended, so nothing is sent."
    OPTED_OUT = "opted_out", "The patient wishes no reminders. Change that with the patient's data first."
    NO_ADDRESS = "no_address", "No address for the chosen way of reminding is on record. Enter it first."
    BAD_ADDRESS = "bad_address", "The e-mail address on record is not one. Correct it first."
    SEALED_SHUT = "sealed_shut", "The address on record opens with none of the keys in IDENTITY_KEYS."
    NO_SMS = "no_sms", "No service for text messages is set up (setting REMINDER_SMS)."
    LINK_ENDED = "link_ended", "This link can no longer be answered. Make a new one."
    SENT_ALREADY = "sent_already", "This message was handed over already and is never sent twice."
    BEING_SENT = "being_sent", "This message is being sent at this moment."
    NOT_NOW = "not_now", "It could not be sent now and is tried again by the next run."


class CannotSend(Exception):  # noqa: N818 - it reads as what it says
    """Certainly not sent. Its text is for a person; `hindrance` is what stood in the way."""

    def __init__(self, hindrance: Hindrance, words: str = "") -> None:
        super().__init__(words or hindrance.label)
        self.hindrance = hindrance


class NotNow(CannotSend):
    """Certainly not sent, and a later try may succeed. A channel raises it with its reason in words."""

    def __init__(self, words: str) -> None:
        super().__init__(Hindrance.NOT_NOW, words)


class NoService(NotNow):
    """The service as a whole takes nothing now, so that a run had better stop."""


class Refused(Exception):  # noqa: N818 - it reads as what it says
    """Certainly not sent, and no later try will succeed. A channel raises it with its reason in words."""

"""One message to one patient: claimed on record, sent, and how far it came kept.

    claimed -> handed over -> sent, or failed

`claimed` is committed before anything else is done. `handed over` is committed just before the receiving
side can accept (for SMTP: before the dot that ends the message), and only by whoever still holds the claim.
So a message found claimed was not sent, whatever became of its run, and one handed over is never sent again.
In between lies the one thing that nobody here can know: handed over, and no answer came. That is told.
"""

from datetime import datetime, timedelta
from uuid import UUID, uuid4

from cryptography.fernet import InvalidToken
from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils import timezone

from registry import sealing
from registry.models import Identity, Knee, Message, PatientLink
from registry.patient_link import making
from registry.reminders.channels import CHANNELS
from registry.reminders.refusals import CannotSend, Hindrance, NoService, NotNow, Refused
from registry.reminders.texts import letter
from registry.reminders.timetable import is_free
from registry.vocabulary import MessageKind, MessageState, Reminding

ADDRESS_FIELD = {Reminding.EMAIL: "email_sealed", Reminding.SMS: "phone_sealed"}
NO_ANSWER = "Handed over, but no answer came. It may have arrived, so it is not sent again."
_UNDER_WAY = [MessageState.CLAIMED, MessageState.HANDED_OVER]


def send(link: PatientLink, kind: MessageKind) -> Message:
    """Send one message of a link now, as a person asks; the message is sent, failed or handed over.

    One that failed may be sent again. Raises CannotSend, in words and with nothing sent.
    """
    now = timezone.now()
    if in_the_way := hindrance(link.knee):
        raise CannotSend(in_the_way)
    address = address_of(link.knee)
    with transaction.atomic(durable=True):
        lock(link.knee)
        link.refresh_from_db()
        message = claim(link, kind, uuid4(), now)
    return deliver(message, address)


def hindrance(knee: Knee) -> Hindrance | None:
    """What stands in the way of any message about this knee; nothing sealed is opened to find out."""
    patient = knee.patient
    if not (knee.stands and patient.stands):
        return Hindrance.WITHDRAWN
    if patient.died_on:
        return Hindrance.DIED
    if patient.ends_of_follow_up.all():
        return Hindrance.ENDED
    if patient.reminders == Reminding.NONE:
        return Hindrance.OPTED_OUT
    if not _sealed_address(knee):
        return Hindrance.NO_ADDRESS
    if patient.reminders == Reminding.SMS and not settings.REMINDER_SMS:
        return Hindrance.NO_SMS
    return None


def address_of(knee: Knee) -> str:
    """Where to write to. Opened to send and read by nobody, so no look at an identity is logged."""
    try:
        address = sealing.unseal(_sealed_address(knee))
    except InvalidToken as error:
        raise CannotSend(Hindrance.SEALED_SHUT) from error
    if knee.patient.reminders == Reminding.EMAIL:
        try:
            validate_email(address)
        except ValidationError as error:
            raise CannotSend(Hindrance.BAD_ADDRESS) from error
    return address


def lock(knee: Knee) -> None:
    """Until the transaction ends, nobody else makes or claims a message about this knee."""
    Knee.ever.select_for_update().get(pk=knee.pk)


def claim(link: PatientLink, kind: MessageKind, run: UUID, now: datetime) -> Message:
    """The message, held by this run; its knee is locked by the caller. Raises CannotSend."""
    if not link.is_open(now):
        raise CannotSend(Hindrance.LINK_ENDED)
    message = Message.objects.filter(link=link, kind=kind).first() or Message(
        link=link, kind=kind, claimed_at=now
    )
    if message.state in (MessageState.HANDED_OVER, MessageState.SENT):
        raise CannotSend(Hindrance.SENT_ALREADY)
    if message.pk and message.state == MessageState.CLAIMED and not is_free(message, now):
        raise CannotSend(Hindrance.BEING_SENT)
    message.channel = link.knee.patient.reminders
    message.state = MessageState.CLAIMED
    message.claimed_at, message.claimed_by = now, run
    message.ended_at, message.problem = None, ""
    message.save()
    return message


def _sealed_address(knee: Knee) -> str:
    """The address for the patient's way of reminding, sealed; "" when none is on record."""
    identity: Identity | None = getattr(knee.patient, "identity", None)
    sealed: str = getattr(identity, ADDRESS_FIELD[Reminding(knee.patient.reminders)], "")
    return sealed if identity and identity.stands else ""


def deliver(message: Message, address: str) -> Message:
    """Send a claimed message and keep how far it came. Raises CannotSend when it certainly was not sent."""
    link = message.link
    words = letter(
        MessageKind(message.kind),
        link.language,
        link=making.address(link),
        # The last whole day.
        until=(link.expires_at - timedelta(days=1)).date(),
        unit=link.knee.patient.unit.name,
    )
    passage = _Passage(message)
    try:
        CHANNELS[message.channel](address, words, passage.handing_over, passage.accepted)
    except CannotSend as refusal:
        if isinstance(refusal, NotNow):
            passage.give_back(str(refusal))
        raise
    except Refused as refusal:
        passage.failed(str(refusal))
    except Exception as error:
        passage.broke_off(error)
    return message


class _Passage:
    """How far one message came, on record step by step, each taken only by whoever holds the claim."""

    def __init__(self, message: Message) -> None:
        self.message = message

    def handing_over(self) -> None:
        """From here on the message may arrive. Raises CannotSend when another run has taken the claim."""
        if not self._move([MessageState.CLAIMED], MessageState.HANDED_OVER):
            raise CannotSend(Hindrance.BEING_SENT)

    def accepted(self) -> None:
        self._move([MessageState.HANDED_OVER], MessageState.SENT, ended_at=timezone.now())

    def failed(self, words: str) -> None:
        self._move(_UNDER_WAY, MessageState.FAILED, ended_at=timezone.now(), problem=words)

    def give_back(self, words: str) -> None:
        """Certainly not sent: free for the next run."""
        self._move(_UNDER_WAY, MessageState.CLAIMED, claimed_by=None, problem=words)

    def broke_off(self, error: Exception) -> None:
        """Neither yes nor no was heard: before the hand-over nothing was sent, after it nobody knows."""
        if self.message.state == MessageState.HANDED_OVER:
            self._move([MessageState.HANDED_OVER], MessageState.HANDED_OVER, problem=NO_ANSWER)
        elif self.message.state == MessageState.CLAIMED:
            if not isinstance(error, OSError):
                raise error
            words = f"The mail server was lost before it had the message ({type(error).__name__})."
            self.give_back(words)
            raise NoService(words) from error

    def _move(self, before: list[MessageState], state: MessageState, **fields: object) -> bool:
        mine = Message.objects.filter(
            pk=self.message.pk, state__in=before, claimed_by=self.message.claimed_by
        )
        moved = mine.update(state=state, **{"problem": "", **fields}) == 1
        if moved:
            for name, value in {"state": state, "problem": "", **fields}.items():
                setattr(self.message, name, value)
        return moved

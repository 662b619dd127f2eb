"""The token in a link's address: the link's random name, signed. None is stored, none can be guessed."""

from base64 import urlsafe_b64decode, urlsafe_b64encode
from uuid import UUID

from django.core.signing import BadSignature, Signer


def token_of(link: UUID) -> str:
    """Name and signature, 66 characters that need no escaping in an address."""
    return _signer().sign(urlsafe_b64encode(link.bytes).decode().rstrip("="))


def link_of(token: str) -> UUID | None:
    """The name that a token was made of; None where it is not as it was made."""
    try:
        return UUID(bytes=urlsafe_b64decode(_signer().unsign(token) + "=="))
    except BadSignature:
        return None


def _signer() -> Signer:
    return Signer(sep=".", salt="registry.patient_link")

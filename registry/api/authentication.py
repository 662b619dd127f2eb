"""Who asks: the person of the access key in the header. Being signed in on the pages opens nothing here."""

from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from registry.api import keys
from registry.isolation.middleware import enter
from registry.models import AccessKey, User
from registry.signing_in.required import lacks

SCHEME = "Bearer"
# One answer for every key that opens nothing: unknown, expired, taken back, or of somebody not active.
REFUSED = "This key opens nothing: it is unknown, out of date or taken back. Make another one on the page."
NO_FACTOR = "This key opens nothing until its person has set up a second factor, which their role needs."


class KeyAuthentication(BaseAuthentication):
    """`Authorization: Bearer <key>` (RFC 6750, section 2.1)."""

    def authenticate(self, request: Request) -> tuple[User, AccessKey] | None:
        scheme, _, text = get_authorization_header(request).decode("latin-1").partition(" ")
        if scheme.lower() != SCHEME.lower():
            return None
        key = keys.opened_by(text.strip())
        if key is None:
            raise AuthenticationFailed(REFUSED)
        enter(key.user)
        # Asked only now: what somebody's roles are shows to nobody else.
        if lacks(key.user):
            raise AuthenticationFailed(NO_FACTOR)
        keys.note_use(key)
        return key.user, key

    def authenticate_header(self, request: Request) -> str:
        return SCHEME


class KeyScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    """How the document speaks of access keys."""

    target_class = KeyAuthentication
    name = "accessKey"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {
            "type": "http",
            "scheme": "bearer",
            "description": "An access key, made by its person on the page Access keys.",
        }

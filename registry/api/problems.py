"""Refusals: every one is application/problem+json (RFC 9457), and says what is wrong where, and the mend."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import NON_FIELD_ERRORS, PermissionDenied, ValidationError
from django.db import IntegrityError
from django.http import Http404, HttpRequest, JsonResponse
from django.views.decorators.csrf import csrf_exempt
from rest_framework import exceptions
from rest_framework.response import Response

from registry.models import Identity
from registry.pages.forms.saving import refusal
from registry.recording import ChangedMeanwhile

MEDIA_TYPE = "application/problem+json"
# Where the kinds of refusal are told, each under its code.
TOLD_AT = "/api/v1/#problem-"
LONGEST_ECHO = 100

_Make = Callable[[Any, Mapping[str, Any]], "Refused"]


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of refusal: its status, and its title, which is the same every time."""

    status: int
    title: str


KINDS: dict[str, Kind] = {
    "malformed": Kind(400, "The request cannot be read"),
    "signed_out": Kind(401, "No key that opens anything"),
    "forbidden": Kind(403, "Your roles do not allow this"),
    "scope_lacking": Kind(403, "The key lacks a scope"),
    "not_found": Kind(404, "Nothing here that you may see"),
    "method": Kind(405, "This address does not take this method"),
    "not_acceptable": Kind(406, "It is not to be had in this form"),
    "conflict": Kind(409, "It stands against what is on record"),
    "stale": Kind(412, "Changed since you read it"),
    "too_large": Kind(413, "The body is too large"),
    "media_type": Kind(415, "The body is in a form that is not taken"),
    "invalid": Kind(422, "What was sent breaks a rule of the record"),
    "questions": Kind(422, "The record asks before it takes this"),
    "key_used": Kind(422, "The idempotency key was used for another request"),
    "unseen": Kind(428, "Say which state you have seen"),
    "no_idempotency_key": Kind(428, "Say under which key this is created"),
    "throttled": Kind(429, "Too many requests"),
}


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to mend: where in the body (JSON Pointer, RFC 6901), what was sent there, which rule."""

    pointer: str
    detail: str
    value: Any = None

    def as_json(self) -> dict[str, Any]:
        return {"pointer": self.pointer, "value": _echo(self.pointer, self.value), "detail": self.detail}


class Refused(exceptions.APIException):
    """A refusal of a known kind; `more` goes along as members of its own."""

    def __init__(self, code: str, detail: str = "", problems: Sequence[Problem] = (), **more: Any) -> None:
        super().__init__(detail or KINDS[code].title, code)
        self.status_code = KINDS[code].status
        self.kind, self.problems, self.more = code, problems, more


def answer(error: Exception, context: Mapping[str, Any]) -> Response | None:
    """The refusal that an error comes to; None for a defect of ours, which is not hidden."""
    refused = _refused(error, context)
    if refused is None:
        return None
    response = Response(body(refused), refused.status_code, headers=_headers(error), content_type=MEDIA_TYPE)
    # What was begun is undone by the transaction that the view opened itself.
    response.exception = True
    return response


def body(refused: Refused) -> dict[str, Any]:
    """The members of RFC 9457, section 3.1, and the list of what is to be mended."""
    kind = KINDS[refused.kind]
    return {
        "type": f"{TOLD_AT}{refused.kind}",
        "title": kind.title,
        "status": kind.status,
        "detail": str(refused.detail),
        "problems": [each.as_json() for each in refused.problems],
        **refused.more,
    }


@csrf_exempt
def unknown_address(request: HttpRequest, *_: Any, **__: Any) -> JsonResponse:
    """What every address under /api/ answers that leads to no view."""
    refused = Refused("not_found", "There is nothing at this address. Every address ends with a slash.")
    return JsonResponse(body(refused), status=404, content_type=MEDIA_TYPE)


unknown_address.login_required = False  # type: ignore[attr-defined]


def of_validation(error: ValidationError, sent: Any = None, at: str = "") -> list[Problem]:
    """The problems that a rule of a model or form found, by field below the pointer `at`."""
    by_field = error.update_error_dict({})
    return [
        Problem(
            pointer := f"{at}/{escaped(field)}" if field != NON_FIELD_ERRORS else at,
            words,
            value_at(sent, pointer),
        )
        for field, errors in by_field.items()
        for each in errors
        for words in each.messages
    ]


def escaped(name: str | int) -> str:
    """A member's name as a pointer writes it (RFC 6901, section 3)."""
    return str(name).replace("~", "~0").replace("/", "~1")


def value_at(sent: Any, pointer: str) -> Any:
    """What a body holds at a pointer; None where it holds nothing."""
    for part in pointer.split("/")[1:]:
        name = part.replace("~1", "/").replace("~0", "~")
        if isinstance(sent, Mapping):
            sent = sent.get(name)
        elif isinstance(sent, list) and name.isdecimal() and int(name) < len(sent):
            sent = sent[int(name)]
        else:
            return None
    return sent


def _refused(error: Exception, context: Mapping[str, Any]) -> Refused | None:
    if isinstance(error, Refused):
        return error
    makers = (make for kind, make in _FROM.items() if isinstance(error, kind))
    make = next(makers, None)
    return make(error, context) if make else None


def _from_serializer(error: Any, context: Mapping[str, Any]) -> Refused:
    sent = context["request"].data
    return invalid([Problem(at, words, value_at(sent, at)) for at, words in _walked(error.detail, "")])


def _from_rule(error: Any, context: Mapping[str, Any]) -> Refused:
    return invalid(of_validation(error, context["request"].data))


def invalid(problems: Iterable[Problem]) -> Refused:
    """The refusal of a body that breaks rules."""
    found = list(problems)
    first = found[0].detail if found else KINDS["invalid"].title
    return Refused("invalid", first if len(found) == 1 else f"{len(found)} things to mend.", found)


def _walked(detail: Any, at: str) -> Iterator[tuple[str, str]]:
    """Pointer and words of each error of a serializer, however deep."""
    if isinstance(detail, Mapping):
        for name, each in detail.items():
            own = str(name) == "non_field_errors"
            yield from _walked(each, at if own else f"{at}/{escaped(name)}")
    elif isinstance(detail, list):
        for place, each in enumerate(detail):
            yield from _walked(each, at if isinstance(each, str) else f"{at}/{place}")
    else:
        yield at, str(detail)


def _plain(code: str) -> _Make:
    def make(error: Any, context: Mapping[str, Any]) -> Refused:
        return Refused(code, str(getattr(error, "detail", "")) or KINDS[code].title)

    return make


def _from_race(error: Any, context: Mapping[str, Any]) -> Refused:
    return Refused("conflict", refusal(error))


# The first that fits holds.
_FROM: dict[type[Exception], _Make] = {
    exceptions.ValidationError: _from_serializer,
    ValidationError: _from_rule,
    ChangedMeanwhile: lambda error, context: stale(),
    IntegrityError: _from_race,
    Http404: lambda error, context: Refused("not_found"),
    PermissionDenied: lambda error, context: Refused("forbidden"),
    exceptions.NotFound: _plain("not_found"),
    exceptions.AuthenticationFailed: _plain("signed_out"),
    exceptions.NotAuthenticated: _plain("signed_out"),
    exceptions.PermissionDenied: _plain("forbidden"),
    exceptions.MethodNotAllowed: _plain("method"),
    exceptions.NotAcceptable: _plain("not_acceptable"),
    exceptions.UnsupportedMediaType: _plain("media_type"),
    exceptions.Throttled: _plain("throttled"),
    exceptions.ParseError: _plain("malformed"),
}


def stale() -> Refused:
    """The refusal of a change to what somebody else changed meanwhile."""
    return Refused("stale", "Somebody changed this since you read it. Read it again, then send the change.")


def _headers(error: Exception) -> dict[str, str]:
    headers = {}
    if challenge := getattr(error, "auth_header", None):
        headers["WWW-Authenticate"] = challenge
    if wait := getattr(error, "wait", None):
        headers["Retry-After"] = str(int(wait) + 1)
    return headers


def _echo(pointer: str, value: Any) -> Any:
    """What was sent, as far as it may be said back: nothing that names a patient, and nothing long."""
    name = pointer.rsplit("/", 1)[-1]
    if name in Identity.FIELDS or isinstance(value, Mapping | list):
        return None
    if isinstance(value, str):
        return value[:LONGEST_ECHO]
    return value if not isinstance(value, int) or abs(value) < 2**53 else None

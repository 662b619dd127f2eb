"""Asking the API as one of the cast, with a key of theirs."""

import itertools
from dataclasses import dataclass
from typing import Any

from django.http import HttpResponse
from django.test import Client

from registry.api import keys
from registry.models import User
from registry.vocabulary import Scope

V1 = "/api/v1"
_numbers = itertools.count(1)


@dataclass(frozen=True)
class Asker:
    """A program with a key; without one, when the text is empty."""

    text: str

    def get(self, path: str, **headers: str) -> HttpResponse:
        return _client().get(V1 + path, headers=self._headers(headers))

    def post(self, path: str, body: Any = None, **headers: str) -> HttpResponse:
        """Create, under a new idempotency key unless one is given."""
        headers.setdefault("Idempotency_Key", f"test-{next(_numbers)}")
        return self._send("post", path, body, headers)

    def patch(self, path: str, body: Any, **headers: str) -> HttpResponse:
        """Correct, as whoever has just read it unless told otherwise."""
        headers.setdefault("If_Match", self.get(path).headers.get("ETag", '"unseen"'))
        return self._send("patch", path, body, headers)

    def delete(self, path: str, **headers: str) -> HttpResponse:
        """Drop, as whoever has just read it unless told otherwise."""
        headers.setdefault("If_Match", self.get(path).headers.get("ETag", '"unseen"'))
        return self._send("delete", path, None, headers)

    def act(self, path: str, act: str, body: Any = None, **headers: str) -> HttpResponse:
        """Withdraw, reinstate or sign, as whoever has just read it unless told otherwise."""
        headers.setdefault("If_Match", self.get(path).headers.get("ETag", '"unseen"'))
        return self._send("post", f"{path}{act}/", body or {}, headers)

    def _send(self, method: str, path: str, body: Any, headers: dict[str, str]) -> HttpResponse:
        send = getattr(_client(), method)
        sent: HttpResponse = send(
            V1 + path, body, content_type="application/json", headers=self._headers(headers)
        )
        return sent

    def _headers(self, headers: dict[str, str]) -> dict[str, str]:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return {"Authorization": f"Bearer {self.text}", **named} if self.text else named


def _client() -> Client:
    # By a name that the site answers to outside of tests as well.
    return Client(SERVER_NAME="localhost")


def asker(person: User, *scopes: str) -> Asker:
    """A program of a person, with a key of these scopes; of all they can use if none is named."""
    usable = [scope.value for scope in keys.scopes_open_to(person)]
    _, text = keys.make(person, "a test", list(scopes) or usable, 1)
    return Asker(text)


NOBODY = Asker("")
READ, WRITE = Scope.READ_RECORD.value, Scope.WRITE_RECORD.value

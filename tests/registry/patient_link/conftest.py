"""A link of the cast's knee, and a patient who answers it as a browser without script would."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from registry.models import PatientLink
from registry.patient_link.making import make_link
from registry.patient_link.token import token_of
from tests.conftest import Cast
from tests.registry.pages.controls import controls

YEAR = "1995"  # of the factories' patients


@dataclass
class Reader:
    """One browser at one link. Every screen is sent as it came, with what is typed laid over it."""

    link: PatientLink
    client: Client = field(default_factory=Client)

    @property
    def path(self) -> str:
        return reverse("patient_link", args=[token_of(self.link.uuid)])

    def look(self) -> str:
        return self.client.get(self.path).content.decode()

    def enter(self, year: str = YEAR) -> Any:
        return self.client.post(self.path, {"year": year}, follow=True)

    def send(self, *unset: str, go: str = "next", **typed: Any) -> Any:
        """Press a button of the screen; the answer after what it leads to."""
        shown = {**controls(self.client.get(self.path), "screen")}
        shown.pop("csrfmiddlewaretoken", None)
        sent = {name: values for name, values in shown.items() if name not in unset}
        return self.client.post(self.path, {**sent, **typed, "go": go}, follow=True)

    def screen(self) -> str:
        """Key of the screen that is shown."""
        return key_of(self.client.get(self.path))


def key_of(response: HttpResponse) -> str:
    return controls(response, "screen")["screen"][0]


@pytest.fixture
def a_link(cast: Cast) -> Callable[..., PatientLink]:
    def made(*instruments: str, **fields: Any) -> PatientLink:
        link = make_link(cast.knee, "3m", cast.clinician, instruments or ("pain_nrs",))
        PatientLink.objects.filter(pk=link.pk).update(**{"uuid": link.uuid, **fields})
        link.refresh_from_db()
        return link

    return made


@pytest.fixture
def reader(a_link: Callable[..., PatientLink]) -> Reader:
    """Entered, and asked a number of pain alone."""
    reader = Reader(a_link())
    reader.enter()
    return reader

"""Fields that are not on the form, sent along all the same: nothing of them lands."""

from collections.abc import Iterator
from typing import Any

import pytest
from django.apps import apps
from django.forms import ModelForm
from django.test import Client
from django.urls import reverse

from registry.models import AccessKey, Contact, Draft, Kept, User
from registry.vocabulary import Scope
from tests import factories
from tests.security.addresses import every_address
from tests.security.asking import taken_back
from tests.security.bodies import EXAMPLES, placed
from tests.security.house import House

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

# What only the site itself says of a row or a person.
OWN = {
    "id": 1,
    "pk": 1,
    "uuid": "00000000-0000-4000-8000-000000000000",
    "version": 99,
    "recorded_at": "2001-01-01T00:00:00Z",
    "recorded_by": 1,
    "withdrawn_at": "2001-01-01T00:00:00Z",
    "signed_at": "2001-01-01T00:00:00Z",
    "signed_by": 1,
    "way": "paper",
    "is_superuser": True,
    "is_staff": True,
    "is_active": True,
    "user": 1,
    "digest": "0" * 64,
    "expires_at": "2099-01-01T00:00:00Z",
}
# By which the database keeps a row of the record; a form that offered one would hand it over.
NEVER_ON_A_FORM = {
    "id",
    "uuid",
    "version",
    "recorded_at",
    "recorded_by",
    "withdrawn_at",
    "signed_at",
    "signed_by",
    "password",
    "is_superuser",
    "is_staff",
    "is_active",
    "user_permissions",
    "groups",
    "memberships",
    "digest",
    "last_login",
}


def test_no_form_offers_what_only_the_site_says() -> None:
    offered = {
        f"{form.__module__}.{form.__qualname__}: {sorted(NEVER_ON_A_FORM & set(form.base_fields))}"
        for form in _every_form(ModelForm)
        if NEVER_ON_A_FORM & set(form.base_fields)
    }
    assert not offered
    assert len(list(_every_form(ModelForm))) > 20


def _every_form(base: Any) -> Iterator[Any]:
    every_address()  # all pages are imported
    for form in base.__subclasses__():
        if form.__module__.startswith(("registry.", "outcomes.")):
            yield form
        yield from _every_form(form)


def test_the_site_says_of_itself_what_every_kept_row_is_kept_by() -> None:
    """The list above names what the models know, so that a rename would be noticed."""
    kept = {field.name for field in Kept._meta.get_fields()}
    assert {"version", "withdrawn_at"} <= kept
    fields = {field.name for model in apps.get_models() for field in model._meta.get_fields()}
    assert set(OWN) - fields == {"pk"}


def test_the_api_refuses_every_field_it_does_not_know(house: House) -> None:
    """Records, corrections and cohorts: told by name, and nothing is written."""
    wrong = []
    headers = {**house.key("surgeon", *Scope), "Host": "localhost", "Idempotency-Key": "smuggled"}
    client = Client()
    for slug, example in EXAMPLES.items():
        for name, value in OWN.items():
            body = {**placed(example, house.north), name: value}
            with taken_back(client):
                answer = client.post(
                    f"/api/v1/{slug}/", body, content_type="application/json", headers=headers
                )
            if answer.status_code != 422 or name not in answer.content.decode():
                wrong.append(f"POST {slug} with {name}: {answer.status_code}")
    assert not wrong, "\n".join(wrong)


def test_a_correction_by_a_program_changes_what_it_names_alone(house: House) -> None:
    headers = {**house.key("surgeon", *Scope), "Host": "localhost"}
    client, wrong = Client(), []
    for slug, row in house.north.rows.items():
        url = f"/api/v1/{slug}/{row.uuid}/"
        tag = client.get(url, headers=headers).headers.get("ETag", "")
        for names in (("version", "unit", "recorded_by"), ("withdrawn_at", "signed_at", "uuid"), ("knee",)):
            body = {name: str(house.south.rows["knees"].uuid) for name in names} | {"reason": "smuggled"}
            with taken_back(client):
                answer = client.patch(
                    url, body, content_type="application/json", headers={**headers, "If-Match": tag}
                )
            if answer.status_code not in (403, 405, 422):
                wrong.append(f"PATCH {slug} {names}: {answer.status_code}")
    assert not wrong, "\n".join(wrong)


def test_a_page_that_records_takes_its_own_fields_alone(house: House) -> None:
    north, south = house.north, house.south
    client = house.clients["surgeon"]
    smuggled = {
        **OWN,
        "knee": south.rows["knees"].pk,
        "unit": south.unit.pk,
        "patient": south.rows["patients"].pk,
    }
    everywhere: dict[str, object] = {
        f"{prefix}{name}": value for prefix in ("", "event-", "form-") for name, value in smuggled.items()
    }
    url = reverse("record_event", args=[north.parts["knee"], "contact"])
    with taken_back(client):
        known = set(Contact.objects.values_list("pk", flat=True))
        typed = {"contacted_on": "2024-10-01", "source": "phone"}
        answer = client.post(url, {**everywhere, **typed})
        assert answer.status_code == 302
        row = Contact.objects.exclude(pk__in=known).get()
        assert (row.knee, row.version) == (north.rows["knees"], 1)
        assert row.recorded_by == house.people["surgeon"]
        assert row.recorded_at.year > 2001
        assert row.stands
        assert str(row.uuid) != OWN["uuid"]


def test_a_unit_keeps_its_code_and_a_key_its_person(house: House) -> None:
    client = house.clients["administrator"]
    url = reverse("unit_settings", args=[house.north.unit.code])
    with taken_back(client):
        shown = client.get(url).context["form"].initial
        typed = {name: value for name, value in shown.items() if value not in (None, False)}
        client.post(url, {**typed, **OWN, "name": "Renamed", "code": "southmere", "reason": "a test"})
        house.north.unit.refresh_from_db()
        assert house.north.unit.code == "northmere"
        assert house.north.unit.version < OWN["version"]
    house.north.unit.refresh_from_db()
    client, stranger = house.clients["surgeon"], house.people["stranger"]
    with taken_back(client):
        sent = {"label": "smuggled", "days": 1, "scopes": [Scope.READ_RECORD.value]}
        assert client.post(reverse("access_keys"), {**sent, **OWN, "user": stranger.pk}).status_code == 200
        key = AccessKey.objects.get(label="smuggled")
        assert key.user == house.people["surgeon"]
        assert key.digest != OWN["digest"]
        assert key.expires_at.year < 2099


def test_nobody_makes_more_of_an_account_than_it_is(house: House) -> None:
    """Of invitations, see tests/registry/signing_in/test_invitations.py."""
    client, who = house.clients["surgeon"], house.people["surgeon"]
    with taken_back(client):
        for name in ("account", "change_password", "second_factor", "confirm"):
            sent = {"confirm-password": factories.PASSWORD, "roles": ["administrator"], "is_superuser": "on"}
            client.post(reverse(name), {**OWN, **sent})
        again = User.objects.get(pk=who.pk)
        assert not again.is_superuser
        assert not again.is_staff
        assert [held.role for held in again.memberships.all()] == ["surgeon"]


def test_a_draft_is_kept_for_who_it_was_rendered_for(house: House) -> None:
    """Whose it is stands in a signed mark; a mark of one's own making is none."""
    client, stranger = house.clients["surgeon"], house.people["stranger"]
    page = reverse("record_operation")
    with taken_back(client):
        sent = {"draft-page": page, "draft-owner": f"{stranger.pk}:x:y", "user": stranger.pk}
        assert client.post(reverse("draft"), sent).status_code == 409
        assert not Draft.objects.exists()

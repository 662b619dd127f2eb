"""Appoint: roles for somebody who has an account, all or nothing, and safe to repeat."""

import io
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from registry.models import AccountEvent, Membership, Surgeon, Unit, User
from tests import factories
from tests.conftest import Cast

FIRST = ("--unit=northmere", "--username=oak", "--role=surgeon")

pytestmark = pytest.mark.django_db


def appoint(*arguments: str) -> str:
    out = io.StringIO()
    call_command("appoint", *arguments, stdout=out)
    return out.getvalue()


def refused(*arguments: str) -> str:
    """The words of a refusal that left the record as it was."""
    before = rows()
    with pytest.raises(CommandError) as refusal:
        appoint(*arguments)
    assert refusal.value.returncode == 1
    assert rows() == before
    return str(refusal.value)


def rows() -> list[Any]:
    tables = (Unit, User, Membership, Surgeon, Surgeon.units.through, AccountEvent)
    return [list(table.objects.order_by("pk").values()) for table in tables]


def test_a_surgeon_of_another_unit_comes_to_this_one(cast: Cast) -> None:
    said = appoint("--unit=southmere", "--username=oak", "--role=audit_lead", "--surgeon-code=oak")
    assert Membership.objects.filter(user=cast.surgeon, unit=cast.other_unit, role="audit_lead").exists()
    assert set(cast.oak.units.all()) == {cast.unit, cast.other_unit}
    assert cast.surgeon.check_password(factories.PASSWORD)
    assert (
        said.strip()
        == "Southmere Hospital (southmere). oak: roles added: Audit lead. Surgeon oak: on record."
    )
    assert AccountEvent.objects.get(kind="role_given").about == "Audit lead, Southmere Hospital"


def test_once_more_changes_nothing(cast: Cast) -> None:
    appoint(*FIRST, "--role=clinician", "--surgeon-code=oak")
    before = rows()
    said = appoint(*FIRST, "--role=clinician", "--surgeon-code=oak")
    assert rows() == before
    assert "roles added: none." in said


def test_a_surgeon_without_account_gets_one(cast: Cast) -> None:
    factories.a_surgeon(cast.unit, "yew")
    yew = factories.a_person("yew")
    said = appoint("--unit=northmere", "--username=yew", "--role=surgeon", "--surgeon-code=yew")
    assert Surgeon.objects.get(code="yew").user == yew
    assert "Surgeon yew: linked." in said


def test_a_surgeon_who_is_not_on_record_is_entered(cast: Cast) -> None:
    said = appoint(
        "--unit=northmere", "--username=elm", "--role=surgeon", "--surgeon-code=S01", "--surgeon-name=Dr Elm"
    )
    surgeon = Surgeon.objects.get(code="S01")
    assert (surgeon.user, surgeon.name, list(surgeon.units.all())) == (cast.colleague, "Dr Elm", [cast.unit])
    assert "Surgeon S01: created." in said


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("--unit=eastmere",), "unit eastmere is not on record. Create it with: invite new --unit-name"),
        (("--surgeon-code=S77",), "surgeon S77 is not on record. Give --surgeon-name to create it"),
        (("--surgeon-code=elm",), "surgeon elm is the entry of another user"),
        (("--surgeon-code=oak", "--surgeon-name=Dr Ash"), "surgeon oak is on record as 'Dr Oak'"),
        (("--surgeon-code=S77", "--surgeon-name=Dr Oak"), "user oak is surgeon oak already"),
        (("--surgeon-name=Dr Oak",), "--surgeon-name goes with --surgeon-code"),
        (("--username=newcomer",), "user newcomer is not on record. Let them in with: invite new"),
    ],
)
def test_what_clashes_is_refused_in_words(cast: Cast, change: tuple[str, ...], words: str) -> None:
    factories.a_surgeon(cast.unit, "elm", cast.colleague)
    assert words in refused(*FIRST, *change)


def test_a_closed_account_is_not_appointed(cast: Cast) -> None:
    User.objects.filter(username="oak").update(is_active=False)
    assert "user oak is closed" in refused(*FIRST)


def test_an_unknown_role_is_refused(cast: Cast) -> None:
    assert "invalid choice: 'king'" in refused(*FIRST, "--role=king")


def test_the_refusal_of_the_last_row_takes_all_with_it(cast: Cast) -> None:
    """The surgeon's code is no code: the role goes too."""
    sent = ("--unit=northmere", "--username=elm", "--role=audit_lead")
    assert "code: Enter a valid" in refused(*sent, "--surgeon-code=S 1", "--surgeon-name=Dr Elm")

"""Appoint: the way into an empty installation, all or nothing, and safe to repeat."""

import getpass
import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from registry.access import Action, units_for
from registry.models import Membership, Surgeon, Unit, User
from tests import factories
from tests.conftest import Cast

PASSWORD = "walnut-crescent-47"
FIRST = ("--unit=northmere", "--username=oak", "--role=surgeon")
NEW = (*FIRST, "--unit-name=Northmere Hospital", "--email=oak@example.org")
ENTRY = ("--surgeon-code=S01", "--surgeon-name=Dr Oak")

pytestmark = pytest.mark.django_db


@pytest.fixture
def password_file(tmp_path: Path) -> str:
    path = tmp_path / "password"
    path.write_text(PASSWORD + "\n")
    return f"--password-file={path}"


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Say what is typed at the prompts."""

    def say(*passwords: str) -> None:
        answers: Iterator[str] = iter(passwords)
        monkeypatch.setattr(getpass, "getpass", lambda _: next(answers))

    return say


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
    tables = (Unit, User, Membership, Surgeon, Surgeon.units.through)
    return [list(table.objects.order_by("pk").values()) for table in tables]


def test_the_first_person_of_an_empty_record(typed: Callable[..., None]) -> None:
    typed(PASSWORD, PASSWORD)
    said = appoint(*NEW, "--role=administrator", *ENTRY)
    user, unit, surgeon = User.objects.get(), Unit.objects.get(), Surgeon.objects.get()
    assert user.check_password(PASSWORD)
    assert (user.email, unit.name) == ("oak@example.org", "Northmere Hospital")
    assert {held.role for held in user.memberships.all()} == {"surgeon", "administrator"}
    assert (surgeon.user, surgeon.name, list(surgeon.units.all())) == (user, "Dr Oak", [unit])
    assert list(units_for(user, Action.RECORD_OPERATION)) == [unit]
    assert not user.is_superuser
    assert said.count("\n") == 1
    assert said.startswith("Northmere Hospital (northmere): created. oak: created. ")
    assert "Roles added: Surgeon, Administrator." in said
    assert "Surgeon S01: created." in said
    assert PASSWORD not in said


def test_once_more_changes_nothing(password_file: str) -> None:
    appoint(*NEW, *ENTRY, password_file)
    before = rows()
    said = appoint(*NEW, *ENTRY, password_file)
    assert rows() == before
    assert said.strip() == (
        "Northmere Hospital (northmere): on record. oak: on record, password unchanged. "
        "Roles added: none. Surgeon S01: on record."
    )


def test_a_person_of_the_record_gets_another_role_without_a_password(cast: Cast) -> None:
    said = appoint("--unit=southmere", "--username=oak", "--role=audit_lead", "--surgeon-code=oak")
    assert Membership.objects.filter(user=cast.surgeon, unit=cast.other_unit, role="audit_lead").exists()
    assert set(cast.oak.units.all()) == {cast.unit, cast.other_unit}
    assert cast.surgeon.check_password(factories.PASSWORD)
    assert "Roles added: Audit lead." in said


def test_a_surgeon_without_account_gets_one(cast: Cast, password_file: str) -> None:
    factories.a_surgeon(cast.unit, "yew")
    entry = ("--unit=northmere", "--username=yew", "--email=yew@example.org", "--role=surgeon")
    said = appoint(*entry, "--surgeon-code=yew", password_file)
    assert Surgeon.objects.get(code="yew").user == User.objects.get(username="yew")
    assert "Surgeon yew: linked." in said


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("--unit=eastmere",), "unit eastmere is not on record. Give --unit-name to create it"),
        (("--unit-name=Elsewhere",), "unit northmere is on record as 'Northmere Hospital'"),
        (("--email=other@example.org",), "user oak is on record with another email address"),
        (("--surgeon-code=S77",), "surgeon S77 is not on record. Give --surgeon-name to create it"),
        (("--surgeon-code=elm",), "surgeon elm is the entry of another user"),
        (("--surgeon-code=oak", "--surgeon-name=Dr Ash"), "surgeon oak is on record as 'Dr Oak'"),
        (("--surgeon-code=S77", "--surgeon-name=Dr Oak"), "user oak is surgeon oak already"),
        (("--surgeon-name=Dr Oak",), "--surgeon-name goes with --surgeon-code"),
        (("--username=newcomer",), "user newcomer is not on record. Give --email to create it"),
        (("--username=new comer", "--email=n@example.org"), "username: Enter a valid username."),
        (("--username=newcomer", "--email=no address"), "email: Enter a valid email address."),
        (("--unit=two words", "--unit-name=Two"), "code: Enter a valid"),
    ],
)
def test_what_clashes_is_refused_in_words(
    cast: Cast, password_file: str, change: tuple[str, ...], words: str
) -> None:
    factories.a_surgeon(cast.unit, "elm", cast.colleague)
    assert words in refused(*FIRST, *change, password_file)


def test_a_closed_account_is_not_appointed(cast: Cast) -> None:
    User.objects.filter(username="oak").update(is_active=False)
    assert "user oak is closed" in refused(*FIRST)


@pytest.mark.parametrize(
    ("passwords", "words"),
    [
        ((PASSWORD, PASSWORD + "x"), "The two passwords differ"),
        (("short", "short"), "This password is too short."),
        (("northmere-oak",) * 2, "The password is too similar to the username."),
    ],
)
def test_a_weak_or_mistyped_password_is_refused(
    typed: Callable[..., None], passwords: tuple[str, ...], words: str
) -> None:
    typed(*passwords)
    assert words in refused(*NEW, "--username=northmere-oak")


def test_a_password_file_that_cannot_be_read(tmp_path: Path) -> None:
    assert "cannot be read" in refused(*NEW, f"--password-file={tmp_path / 'none'}")


def test_without_a_terminal_it_asks_for_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    def closed(_: str) -> str:
        raise EOFError

    monkeypatch.setattr(getpass, "getpass", closed)
    assert "--password-file" in refused(*NEW)


def test_an_unknown_role_is_refused() -> None:
    assert "invalid choice: 'king'" in refused(*NEW, "--role=king")


def test_the_refusal_of_the_last_row_takes_all_with_it(password_file: str) -> None:
    """The surgeon's code is no code: unit, user and role go too."""
    assert "code: Enter a valid" in refused(
        *NEW, "--surgeon-code=S 1", "--surgeon-name=Dr Oak", password_file
    )

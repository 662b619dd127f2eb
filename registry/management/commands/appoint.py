"""Appoint a person to roles in a unit: the way into an empty installation, where nobody can sign in yet."""

import getpass
import json
from argparse import ArgumentParser
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import CommandError
from django.db import IntegrityError, transaction

from registry.management.example import CommandWithExample
from registry.models import Membership, Surgeon, Unit, User
from registry.recording import Act, correct, record
from registry.vocabulary import Role


class Command(CommandWithExample):
    help = "Give a person roles in a unit. Unit, user and surgeon's entry are made where they are missing."
    example = (
        "appoint --unit northmere --unit-name 'Northmere Hospital' "
        "--username oak --email oak@example.org --role surgeon --role administrator"
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--unit", required=True, metavar="CODE", help="code of the unit")
        parser.add_argument("--unit-name", default="", metavar="NAME", help="its name, to create it")
        parser.add_argument("--username", required=True, metavar="NAME", help="user name to sign in with")
        parser.add_argument(
            "--email", default="", metavar="ADDRESS", help="email address, to create the user"
        )
        parser.add_argument(
            "--password-file", type=Path, metavar="PATH", help="file that holds a new user's password"
        )
        parser.add_argument(
            "--role", action="append", required=True, choices=Role.values, help="may be given several times"
        )
        parser.add_argument(
            "--surgeon-code", default="", metavar="CODE", help="surgeon's entry that is this user's"
        )
        parser.add_argument("--surgeon-name", default="", metavar="NAME", help="name on it, to create it")
        parser.add_argument("--json", action="store_true", help="print who holds which roles where, as JSON")

    def handle(self, **options: Any) -> None:
        try:
            # The password is asked for first: nobody else should wait while it is typed.
            user = _user(options["username"], options["email"], options["password_file"])
            with transaction.atomic():
                said = _appoint(user, options)
        except ValidationError as error:
            raise CommandError(f"appoint: nothing was saved. {_words(error)}") from error
        except IntegrityError as error:
            raise CommandError(
                "appoint: nothing was saved: somebody recorded the same at the same moment. Try again."
            ) from error
        self.stdout.write(json.dumps(_held(user, options["unit"])) if options["json"] else said)


def _held(user: User, unit: str) -> dict[str, Any]:
    roles = user.memberships.filter(unit__code=unit).order_by("role").values_list("role", flat=True)
    return {"username": user.username, "unit": unit, "roles": list(roles)}


def _appoint(user: User, options: dict[str, Any]) -> str:
    """Record what is missing and say in one line what was done."""
    unit, unit_done = _unit(options["unit"], options["unit_name"])
    user_done = "created" if user.pk is None else "on record, password unchanged"
    if user.pk is None:
        record(user)
    added = _add_roles(user, unit, options["role"])
    surgeon = _surgeon(user, unit, options["surgeon_code"], options["surgeon_name"])
    return f"{unit} ({unit.code}): {unit_done}. {user}: {user_done}. Roles added: {added}.{surgeon}"


def _unit(code: str, name: str) -> tuple[Unit, str]:
    unit = Unit.objects.filter(code=code).first()
    if unit is None:
        if not name:
            raise CommandError(f"appoint: unit {code} is not on record. Give --unit-name to create it.")
        record(unit := Unit(code=code, name=name))
        return unit, "created"
    if name not in ("", unit.name):
        raise CommandError(f"appoint: unit {code} is on record as '{unit.name}'. Leave --unit-name out.")
    return unit, "on record"


def _user(username: str, email: str, password_file: Path | None) -> User:
    """The user on record, who keeps their password, or a new one not yet saved."""
    user = User.objects.filter(username=username).first()
    if user is None:
        if not email:
            raise CommandError(f"appoint: user {username} is not on record. Give --email to create it.")
        user = User(username=username, email=email)
        user.set_password(_password(user, password_file))
        return user
    if not user.is_active:
        raise CommandError(f"appoint: user {username} is closed. Give another --username.")
    if email not in ("", user.email):
        raise CommandError(
            f"appoint: user {username} is on record with another email address. "
            "Leave --email out, or give another --username."
        )
    return user


def _password(user: User, path: Path | None) -> str:
    password = _typed_password() if path is None else _kept_password(path)
    validate_password(password, user)
    return password


def _typed_password() -> str:
    try:
        password, again = (getpass.getpass(f"Password{word}: ") for word in ("", " (again)"))
    except EOFError as error:
        raise CommandError("appoint: no password was typed. Give --password-file instead.") from error
    if password != again:
        raise CommandError("appoint: nothing was saved. The two passwords differ: type the same twice.")
    return password


def _kept_password(path: Path) -> str:
    try:
        return path.read_text().rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise CommandError(
            f"appoint: password file {path} cannot be read ({error}). Give a text file."
        ) from error


def _add_roles(user: User, unit: Unit, roles: Sequence[str]) -> str:
    """Add the roles not held yet; their names."""
    held = set(Membership.objects.filter(user=user, unit=unit).values_list("role", flat=True))
    added = [Role(role) for role in dict.fromkeys(roles) if role not in held]
    record(*(Membership(user=user, unit=unit, role=role) for role in added))
    return ", ".join(str(role.label) for role in added) or "none"


def _surgeon(user: User, unit: Unit, code: str, name: str) -> str:
    """Link the surgeon's entry to the user and the unit; what was done, as one more sentence."""
    if not code:
        if name:
            raise CommandError("appoint: --surgeon-name goes with --surgeon-code. Give both, or neither.")
        return ""
    surgeon = Surgeon.objects.filter(code=code).first()
    _refuse_clash(user, surgeon, code, name)
    done = "created" if surgeon is None else "on record" if surgeon.user_id else "linked"
    if surgeon is None:
        record(surgeon := Surgeon(code=code, name=name, user=user))
    else:
        surgeon.user = user
        correct(surgeon, act=Act(None, "Appointed from the command line"))
    surgeon.units.add(unit)
    return f" Surgeon {code}: {done}."


def _refuse_clash(user: User, surgeon: Surgeon | None, code: str, name: str) -> None:
    if surgeon is None and not name:
        raise CommandError(f"appoint: surgeon {code} is not on record. Give --surgeon-name to create it.")
    if surgeon and surgeon.user_id not in (None, user.pk):
        raise CommandError(f"appoint: surgeon {code} is the entry of another user. Give another code.")
    if surgeon and name not in ("", surgeon.name):
        raise CommandError(
            f"appoint: surgeon {code} is on record as '{surgeon.name}'. Leave --surgeon-name out."
        )
    if own := Surgeon.objects.filter(user=user).exclude(code=code).first():
        raise CommandError(f"appoint: user {user} is surgeon {own.code} already. Leave --surgeon-code out.")


def _words(error: ValidationError) -> str:
    if not hasattr(error, "error_dict"):
        return " ".join(error.messages)
    return " ".join(f"{field}: {' '.join(texts)}" for field, texts in error.message_dict.items())

"""Appoint somebody who has an account to roles in another unit, and link the surgeon's entry there.

Nobody's account is made here: `invite` makes a link by which people make their own.
"""

import json
from argparse import ArgumentParser
from collections.abc import Sequence
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import CommandError
from django.db import IntegrityError, transaction

from registry.management.example import CommandWithExample
from registry.models import AccountEventKind, Membership, Surgeon, Unit, User
from registry.recording import Act, correct, record
from registry.signing_in.account_log import note
from registry.signing_in.invitations import take_back_ways_from_elsewhere
from registry.signing_in.managing import hold, hold_person
from registry.vocabulary import Role


class Command(CommandWithExample):
    help = "Give somebody with an account roles in a unit; a surgeon's entry is made where it is missing."
    example = "appoint --unit northmere --username oak --role surgeon --surgeon-code S01"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--unit", required=True, metavar="CODE", help="code of the unit")
        parser.add_argument("--username", required=True, metavar="NAME", help="whose account it is")
        parser.add_argument(
            "--role", action="append", required=True, choices=Role.values, help="may be given several times"
        )
        parser.add_argument(
            "--surgeon-code", default="", metavar="CODE", help="surgeon's entry that is this person's"
        )
        parser.add_argument("--surgeon-name", default="", metavar="NAME", help="name on it, to create it")
        parser.add_argument("--json", action="store_true", help="print who holds which roles where, as JSON")

    def handle(self, **options: Any) -> None:
        try:
            with transaction.atomic():
                user, said = _appoint(options)
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


def _appoint(options: dict[str, Any]) -> tuple[User, str]:
    """Record what is missing and say in one line what was done."""
    unit, user = _unit(options["unit"]), _user(options["username"])
    hold(unit)
    hold_person(user)
    added = _add_roles(user, unit, options["role"])
    surgeon = _surgeon(user, unit, options["surgeon_code"], options["surgeon_name"])
    return user, f"{unit} ({unit.code}). {user}: roles added: {added}.{surgeon}"


def _unit(code: str) -> Unit:
    unit = Unit.objects.filter(code=code).first()
    if unit is None:
        raise CommandError(f"appoint: unit {code} is not on record. Create it with: invite new --unit-name.")
    return unit


def _user(username: str) -> User:
    user = User.objects.filter(username=username).first()
    if user is None:
        raise CommandError(f"appoint: user {username} is not on record. Let them in with: invite new.")
    if not user.is_active:
        raise CommandError(f"appoint: user {username} is closed. Give another --username.")
    return user


def _add_roles(user: User, unit: Unit, roles: Sequence[str]) -> str:
    """Add the roles not held yet; their names."""
    held = set(Membership.objects.filter(user=user, unit=unit).values_list("role", flat=True))
    added = [Role(role) for role in dict.fromkeys(roles) if role not in held]
    record(*(Membership(user=user, unit=unit, role=role) for role in added))
    for role in added:
        note(user, AccountEventKind.ROLE_GIVEN, about=f"{role.label}, {unit}")
    take_back_ways_from_elsewhere(user, unit)
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

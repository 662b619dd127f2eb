"""Invite where there is no page at hand: a unit's first administrator, and the way back of the last one."""

import json
from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.management.base import CommandError
from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from registry.management.example import CommandWithExample, add_act
from registry.models import Unit, User
from registry.recording import record
from registry.signing_in.invitations import VALID_FOR, invite, way_back
from registry.vocabulary import Role


class Command(CommandWithExample):
    help = "Make a link that lets one person in, once: to a new account, or back into their own."
    example = (
        "invite new --unit northmere --unit-name 'Northmere Hospital' --role administrator --label 'Dr Oak'"
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        acts = parser.add_subparsers(dest="act", required=True, metavar="new|back")
        new = add_act(acts, "new", "invite somebody to a unit; they choose name and password", self.example)
        new.add_argument("--unit", required=True, metavar="CODE", help="code of the unit")
        new.add_argument("--unit-name", default="", metavar="NAME", help="its name, to create it")
        new.add_argument(
            "--role", action="append", required=True, choices=Role.values, help="may be given several times"
        )
        new.add_argument(
            "--label", required=True, help="who is meant, so that the link can be told from others"
        )
        back = add_act(
            acts,
            "back",
            "back in for who lost password or second factor; both are set anew",
            "invite back oak",
        )
        back.add_argument("username", help="whose account it is; make sure that it is really they who ask")
        for each in (new, back):
            each.add_argument("--json", action="store_true", help="print the link and its end as JSON")

    def handle(self, **options: Any) -> None:
        made = _new if options["act"] == "new" else _back
        try:
            with transaction.atomic():
                label, token = made(options)
        except ValidationError as error:
            raise CommandError(f"invite: no link was made. {' '.join(error.messages)}") from error
        link = settings.SITE_URL + reverse("invited", args=[token])
        ends_at = timezone.now() + VALID_FOR
        if options["json"]:
            self.stdout.write(json.dumps({"label": label, "link": link, "ends_at": ends_at.isoformat()}))
            return
        self.stdout.write(
            f"Link for {label}, good once until {ends_at:%Y-%m-%d %H:%M} UTC. Hand it over yourself:\n{link}"
        )


def _new(options: dict[str, Any]) -> tuple[str, str]:
    unit = _unit(options["unit"], options["unit_name"])
    roles = dict.fromkeys(Role(code) for code in options["role"])
    return options["label"], invite(unit, roles, options["label"], None)


def _back(options: dict[str, Any]) -> tuple[str, str]:
    person = User.objects.filter(username=options["username"], is_active=True).first()
    if person is None:
        raise CommandError(f"invite: no open account is called {options['username']}.")
    held = person.memberships.select_related("unit").order_by("unit__code").first()
    if held is None:
        raise CommandError(f"invite: {person} holds no role, so there is nothing to come back to.")
    return str(person), way_back(held.unit, person, None)


def _unit(code: str, name: str) -> Unit:
    unit = Unit.objects.filter(code=code).first()
    if unit is None:
        if not name:
            raise CommandError(f"invite: unit {code} is not on record. Give --unit-name to create it.")
        record(unit := Unit(code=code, name=name))
    elif name not in ("", unit.name):
        raise CommandError(f"invite: unit {code} is on record as '{unit.name}'. Leave --unit-name out.")
    return unit

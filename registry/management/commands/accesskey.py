"""Access keys of programs: made, listed and taken back where there is no page at hand."""

import json
from argparse import ArgumentParser
from collections.abc import Callable
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import CommandError
from django.utils import timezone

from registry.api.keys import LONGEST_DAYS, make, take_back
from registry.management.example import CommandWithExample, add_act
from registry.models import AccessKey, User
from registry.vocabulary import Scope


class Command(CommandWithExample):
    help = "Make, list or take back the access keys by which programs act for a person."
    example = "accesskey make oak --label 'Nightly export' --scope record:read --days 90"

    def add_arguments(self, parser: ArgumentParser) -> None:
        acts = parser.add_subparsers(dest="act", required=True, metavar="make|list|take-back")
        makes = add_act(acts, "make", "make a key; its text is printed once and kept nowhere", self.example)
        makes.add_argument("username", help="whose key it is; it opens nothing that they may not do")
        makes.add_argument("--label", required=True, help="what it is for")
        makes.add_argument(
            "--scope", required=True, action="append", choices=Scope.values, help="once or more"
        )
        makes.add_argument("--days", required=True, type=int, help=f"how long it holds, 1 to {LONGEST_DAYS}")
        lists = add_act(acts, "list", "list keys, without their texts", "accesskey list --username oak")
        lists.add_argument("--username", help="of this person alone")
        takes = add_act(
            acts,
            "take-back",
            "take a key back at once",
            "accesskey take-back 5f0c9d0e-6f0b-4d53-9a3e-0a5a2f7e9b11",
        )
        takes.add_argument("key", help="the key's UUID, as listed")
        for each in (makes, lists, takes):
            each.add_argument("--json", action="store_true", help="print it as JSON")

    def handle(self, **options: Any) -> None:
        acts: dict[str, Callable[[dict[str, Any]], Any]] = {
            "make": _make,
            "list": _list,
            "take-back": _take_back,
        }
        told = acts[options["act"]](options)
        if options["json"]:
            self.stdout.write(json.dumps(told))
            return
        for row in told if isinstance(told, list) else [told]:
            self.stdout.write("\n".join(f"{name}: {value}" for name, value in row.items()) + "\n")


def _make(options: dict[str, Any]) -> dict[str, Any]:
    user = _user(options["username"])
    try:
        key, text = make(user, options["label"], options["scope"], options["days"])
    except ValidationError as error:
        raise CommandError(f"accesskey: no key was made. {' '.join(error.messages)}") from error
    return {**_told(key), "text": text}


def _list(options: dict[str, Any]) -> list[dict[str, Any]]:
    keys = AccessKey.objects.select_related("user")
    if options["username"]:
        keys = keys.filter(user=_user(options["username"]))
    return [_told(key) for key in keys]


def _take_back(options: dict[str, Any]) -> dict[str, Any]:
    try:
        key = AccessKey.objects.select_related("user").get(uuid=options["key"])
    except (AccessKey.DoesNotExist, ValidationError) as error:
        raise CommandError(f"accesskey: no key {options['key']} is known. See: accesskey list.") from error
    take_back(key)
    key.refresh_from_db()
    return _told(key)


def _user(username: str) -> User:
    user = User.objects.filter(username=username).first()
    if user is None:
        raise CommandError(f"accesskey: user {username} is not known. Invite them first.")
    return user


def _told(key: AccessKey) -> dict[str, Any]:
    return {
        "key": str(key.uuid),
        "username": key.user.username,
        "label": key.label,
        "scopes": key.scopes,
        "made_at": key.made_at.isoformat(),
        "expires_at": key.expires_at.isoformat(),
        "last_used_on": key.last_used_on and key.last_used_on.isoformat(),
        "state": "open" if key.is_open(timezone.now()) else "taken back" if key.taken_back_at else "ended",
    }

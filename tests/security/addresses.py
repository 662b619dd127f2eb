"""Every address of the site, as the URL configuration itself tells of them."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver, reverse

from tests.security.house import Side

PART = re.compile(r"<(?:\w+:)?(\w+)>")
# What stands for a part that is no object of a unit. By the address's name where one word fits not all.
WORDS: dict[str, str] = {
    "kind": "contact",
    "part": "failures",
    "breakdown": "surgeon",
    "stratum": "zone",
    "view": "competing",
    "code": "surgeon",
    "number": "1",
    "name": "sex",
}
WORDS_OF: dict[tuple[str, str], str] = {
    ("scores_csv", "part"): "course",
    ("how_sure_csv", "part"): "readers",
    ("api_instrument", "code"): "sane",
}


@dataclass(frozen=True)
class Address:
    """One address under its name."""

    name: str
    route: str
    view: Any

    @property
    def parts(self) -> list[str]:
        return PART.findall(self.route)

    @property
    def slug(self) -> str:
        """The kind of an entry of the API: "visits" of /api/v1/visits/."""
        return self.route.removeprefix("api/v1/").partition("/")[0]

    @property
    def takes_an_object(self) -> bool:
        return any(part not in WORDS for part in self.parts)

    def on(self, side: Side) -> str:
        """The address of what this unit has."""
        return reverse(self.name, kwargs={part: self.value(part, side) for part in self.parts})

    def value(self, part: str, side: Side) -> Any:
        if part == "uuid":
            return side.rows[self.slug].uuid
        if word := WORDS_OF.get((self.name, part)) or WORDS.get(part):
            return word
        value = side.parts[part]
        return value[self.name] if isinstance(value, dict) else value


def every_address() -> dict[str, Address]:
    """All of them by name."""
    found = list(_walk(get_resolver().url_patterns, ""))
    by_name = {address.name: address for address in found if address.name}
    assert len(by_name) == len([each for each in found if each.name]), "two addresses share a name"
    return by_name


def nameless() -> list[str]:
    return [each.route for each in _walk(get_resolver().url_patterns, "") if not each.name]


def _walk(patterns: list[Any], before: str) -> Iterator[Address]:
    for pattern in patterns:
        route = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from _walk(pattern.url_patterns, route)
        elif isinstance(pattern, URLPattern):
            yield Address(pattern.name or "", route, pattern.callback)

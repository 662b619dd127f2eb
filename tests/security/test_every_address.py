"""Every address of the URL configuration, asked by every role, for what is of either unit, and signed out.

An address without a rule fails, and so does a rule without an address. What each is answered stands in
rules.py and api_rules.py; counts are printed at the end of the run.
"""

import logging
import re
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from django.db import connection
from django.test import Client

from registry.intake import jobs
from registry.vocabulary import Scope
from tests.security.addresses import Address, every_address, nameless
from tests.security.api_rules import API, Method
from tests.security.asking import taken_back
from tests.security.bodies import body_of, names_an_object
from tests.security.house import ROLES, House
from tests.security.rules import OTHERWISE, PAGES, SENT, Rule
from tests.servers import SAID_AT_THE_END

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

# Everyday who is let in is asked for by one role of those answered alike; all of them when there is time.
EVERYBODY_ASKS = [False, pytest.param(True, marks=pytest.mark.slow)]
WRITES = re.compile(r'^(?:INSERT INTO|UPDATE|DELETE FROM) "(\w+)"')
# Kept about who asked, whatever they are answered: sessions, what happened to an account, a key's last use.
ABOUT_WHO_ASKS = {
    "registry_browsersession",
    "django_session",
    "registry_accountevent",
    "registry_accesskey",
    "registry_opening",
    "registry_dataversion",
    # Begun under its key, and taken back with the refusal.
    "registry_creation",
    # What was typed into a form that is to be mended, for whoever typed it.
    "registry_draft",
}


class Asked:
    """What was asked, what came back, and what should have."""

    def __init__(self) -> None:
        self.wrong: list[str] = []
        self.answers: Counter[int] = Counter()
        self.addresses: set[str] = set()

    def note(self, name: str, what: str, got: int, expected: int, written: set[str]) -> None:
        self.addresses.add(name)
        self.answers[got] += 1
        if got != expected:
            self.wrong.append(f"{name}: {what} is answered {got}, the rule says {expected}")
        elif got >= 400 and written - ABOUT_WHO_ASKS:
            self.wrong.append(f"{name}: {what} is answered {got} and writes to {sorted(written)}")

    def told(self) -> str:
        by_answer = ", ".join(f"{status}: {count}" for status, count in sorted(self.answers.items()))
        return f"{len(self.addresses)} addresses, {self.answers.total()} combinations asked; {by_answer}"


@pytest.fixture
def quiet(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Thousands of refusals need not be logged, and no process works on what is taken back at once."""
    logging.disable(logging.CRITICAL)
    monkeypatch.setattr(jobs, "start", lambda *_: None)
    yield
    logging.disable(logging.NOTSET)


def test_every_address_has_a_rule_and_every_rule_its_address() -> None:
    stated, known = {*PAGES, *API}, set(every_address())
    assert known - stated == set(), "state a rule for it in tests/security/rules.py"
    assert stated - known == set()
    # Whatever else begins with /api is an unknown address, told so as a problem.
    assert nameless() == ["^api(/|$)"]


@pytest.mark.usefixtures("quiet")
@pytest.mark.parametrize("everybody", EVERYBODY_ASKS)
def test_every_page(house: House, record_property: Callable[[str, str], None], everybody: bool) -> None:
    asked = Asked()
    for name, address in every_address().items():
        if name in PAGES:
            for side, method, role in _combinations(address, PAGES[name], everybody=everybody):
                _ask_page(house, asked, address, side, method, role)
    record_property(SAID_AT_THE_END, f"Pages: {asked.told()}")
    assert not asked.wrong, "\n".join(asked.wrong)


def _combinations(address: Address, rule: Rule, *, everybody: bool) -> Iterator[tuple[str, str, str]]:
    """Who is refused, and who is let in: everyday one role of these, where they are answered alike."""
    for side in ("north", "south") if address.takes_an_object else ("north",):
        for method in ("get", "post"):
            was_let_in = False
            for role in ROLES:
                let_in = rule.let_in(role, side == "north", has_object=address.takes_an_object)
                let_in = let_in and (address.name, role, method) not in OTHERWISE
                if let_in and was_let_in and not everybody:
                    continue
                was_let_in = was_let_in or let_in
                yield side, method, role


def _ask_page(house: House, asked: Asked, address: Address, side: str, method: str, role: str) -> None:
    name, client = address.name, house.clients[role]
    sent = SENT.get(name, {}) if method == "post" else {}
    with _writes_taken_back(client) as written:
        response = getattr(client, method)(address.on(getattr(house, side)), sent)
        response.close()
    rule = PAGES[name]
    expected = rule.answer(role, side == "north", method, has_object=address.takes_an_object)
    if side == "north":
        expected = OTHERWISE.get((name, role, method), expected)
    asked.note(name, f"{method} by {role} of {side}", response.status_code, expected, written)
    signs_in = response.headers.get("Location", "").startswith("/sign-in/?next=")
    if not rule.signed_out and signs_in != (role == "nobody" and expected == 302):
        asked.wrong.append(
            f"{name}: {method} by {role} of {side} leads to {response.headers.get('Location')}"
        )


@pytest.mark.usefixtures("quiet")
@pytest.mark.parametrize("everybody", EVERYBODY_ASKS)
def test_every_address_of_the_api(
    house: House, record_property: Callable[[str, str], None], everybody: bool
) -> None:
    asked, program = Asked(), Client(SERVER_NAME="localhost")
    scopes_held = [frozenset(Scope), *(frozenset(Scope) - {each} for each in Scope)]
    scopes_held += [frozenset({each}) for each in Scope]
    keys = {role: {scopes: house.key(role, *scopes) for scopes in scopes_held} for role in ROLES}
    for name, address in every_address().items():
        for method in API.get(name, ()):
            for side, role, scopes in _programs(address, method, everybody=everybody):
                is_own = side == "north"
                has_object = address.takes_an_object or names_an_object(address, method.verb)
                expected = method.answer(role, is_own, scopes, has_object=has_object)
                sent = _sent(house, address, side, method.verb)
                with _writes_taken_back(program) as written:
                    url = address.on(getattr(house, side))
                    response = program.generic(method.verb.upper(), url, headers=keys[role][scopes], **sent)
                    response.close()
                what = f"{method.verb} by {role} with {len(scopes)} scopes of {side}"
                asked.note(name, what, response.status_code, expected, written)
    record_property(SAID_AT_THE_END, f"API: {asked.told()}")
    assert not asked.wrong, "\n".join(asked.wrong)


def _programs(
    address: Address, method: Method, *, everybody: bool
) -> Iterator[tuple[str, str, frozenset[Scope]]]:
    """With a key for everything, of either unit's rows; without the scope it needs; with each scope alone."""
    if method.scope is None:
        yield from (("north", role, frozenset(Scope)) for role in ("nobody", "outsider"))
        return
    has_object = address.takes_an_object or names_an_object(address, method.verb)
    for side in ("north", "south") if has_object else ("north",):
        was_let_in = False
        for role in ROLES:
            let_in = method.rule.let_in(role, side == "north", has_object=has_object)
            if everybody or not (let_in and was_let_in):
                yield side, role, frozenset(Scope)
            was_let_in = was_let_in or let_in
    for role in ROLES[1:] if everybody else ("surgeon", "coordinator"):
        yield "north", role, frozenset(Scope) - {method.scope}
    for alone in Scope if everybody else (method.scope,):
        yield "north", "surgeon", frozenset({alone})


def _sent(house: House, address: Address, side: str, verb: str) -> dict[str, Any]:
    if verb == "get":
        return {}
    body = body_of(address, getattr(house, side)) if verb == "post" else {}
    return {"data": body, "content_type": "application/json", "HTTP_IDEMPOTENCY_KEY": "of-the-matrix"}


@contextmanager
def _writes_taken_back(client: Client) -> Iterator[set[str]]:
    """The tables that are written to meanwhile; nothing of it stays, and nobody is signed out."""
    written = set()

    def watch(execute: Any, sql: str, *arguments: Any) -> Any:
        if found := WRITES.match(sql):
            written.add(found[1])
        return execute(sql, *arguments)

    with taken_back(client), connection.execute_wrapper(watch):
        yield written

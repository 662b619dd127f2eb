"""Requests generated from the document, as each role and as nobody: answered as it says, within rights."""

import random
from collections import Counter
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any

import pytest
import schemathesis
from django.core.handlers.wsgi import WSGIHandler
from django.test import Client
from hypothesis import HealthCheck, Phase, given, seed
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import Failure, FailureGroup
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from registry.access import actions_of
from registry.api.keys import OPENS
from registry.vocabulary import Scope
from tests.conftest import Cast
from tests.servers import SAID_AT_THE_END
from tests.site.api_world import ROLES, Side, headers_of, placed, state, two_units

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
CONDITIONS = ("If-Match", "Idempotency-Key")
# Beside the scope, which the clinician's follow-up opens as well.
SURGEONS_ALONE = {
    f"{act}_{what}"
    for act in ("record", "correct", "withdrawal", "reinstatement", "signature")
    for what in ("operation", "tear")
}
WRITES = ("POST", "PATCH", "PUT", "DELETE")
# A list of what one may see, where one may see nothing.
NOTHING = b'{"items":[],"next":null}'
SEED = 20240301


@dataclass
class Run:
    """Everything that was asked and answered, and what was wrong with it."""

    cast: Cast
    sides: tuple[Side, Side]
    headers: dict[str, dict[str, str]]
    asked: Counter[str] = field(default_factory=Counter)
    answered: Counter[int] = field(default_factory=Counter)
    succeeded: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    # Each new one would load the middleware anew.
    reader: Client = field(default_factory=Client)

    def foreign(self, role: str) -> list[str]:
        """What somebody of a role must never be shown."""
        ours, theirs = self.sides
        if role == "nobody":
            return [*ours.canaries, *theirs.canaries]
        return (ours if role == "stranger" else theirs).canaries

    def may(self, role: str, operation: Any) -> bool:
        """Whether a role's rights reach so far at all."""
        (needed, *_) = [scope for said in operation["security"] for scope in [*said.values()] or [[]]]
        if not needed:
            return True
        if role == "nobody":
            return False
        if role == "clinician" and operation["operationId"] in SURGEONS_ALONE:
            return False
        return bool(OPENS[Scope(needed[0])] & actions_of(getattr(self.cast, role)))


@pytest.fixture
def run(cast: Cast, settings: Any, tmp_path: Any) -> Run:
    settings.API_REQUESTS_A_MINUTE = {"key": 10**9, "address": 10**9}
    settings.RELEASES_DIR = tmp_path
    sides = two_units(cast)
    # Bodies are read as they come; what is compressed, tests/site/test_compression.py holds.
    headers = {role: told | {"Accept-Encoding": "identity"} for role, told in headers_of(cast).items()}
    return Run(cast, sides, headers)


def test_every_day_some_requests_of_every_kind(run: Run, record_property: Any) -> None:
    asked_as_everybody(run, cases=1)
    told(run, record_property, 650)


@pytest.mark.slow
def test_five_thousand_requests(run: Run, record_property: Any) -> None:
    asked_as_everybody(run, cases=8)
    told(run, record_property, 5_000)


def told(run: Run, record_property: Any, least: int) -> None:
    answers = ", ".join(f"{status}: {times}" for status, times in sorted(run.answered.items()))
    kinds = f"{len(run.succeeded)} kinds of request succeeded"
    record_property(SAID_AT_THE_END, f"{run.asked.total()} requests; {answers}; {kinds}")
    assert not run.wrong, "\n\n".join(dict.fromkeys(run.wrong[:20]))
    assert run.asked.total() >= least
    assert set(run.asked) == {*ROLES, "unconditional"}
    # A run in which everything is refused would show little.
    assert run.answered[200] + run.answered[201] >= run.asked.total() / 20


def asked_as_everybody(run: Run, cases: int) -> None:
    """Of each method so many cases, each sent as every role."""
    schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", WSGIHandler())
    for found in schema.get_all_operations():
        operation = found.ok()
        generated = st.tuples(
            st.one_of(
                operation.as_strategy(generation_mode=GenerationMode.POSITIVE),
                operation.as_strategy(generation_mode=GenerationMode.NEGATIVE),
            ),
            st.integers(0, 2**32),
        )

        @seed(SEED)
        @hypothesis_settings(
            max_examples=cases,
            phases=[Phase.generate],
            database=None,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        )
        @given(generated)
        def send(drawn: tuple[Any, int]) -> None:
            case, chance = drawn
            for role in ROLES:
                ask(run, again(case), role, random.Random(chance))  # noqa: S311 - no secret
            if case.method in WRITES:
                ask_unconditionally(run, case, random.Random(chance))  # noqa: S311 - no secret

        send()


def again(case: Any) -> Any:
    """The same case, to be changed without changing it."""
    return case.operation.Case(
        path_parameters={**case.path_parameters},
        headers={**case.headers},
        cookies={**case.cookies},
        query=deepcopy(case.query),
        body=deepcopy(case.body) if isinstance(case.body, dict | list) else case.body,
        media_type=case.media_type,
    )


def ask(run: Run, case: Any, role: str, chance: random.Random) -> None:
    """Send one case as one role; what is wrong with the answer is kept."""
    of = run.sides[role == "stranger"] if chance.random() < 0.8 else chance.choice(run.sides)
    made_real(case, of, chance)
    if case.method in WRITES and chance.random() < 0.7:
        conditions_met(run, case, role, chance)
    before = state() if case.method in WRITES else ""
    response = case.call(headers=run.headers[role])
    judged(run, case, role, response, before)


def judged(run: Run, case: Any, role: str, response: Any, before: str) -> None:
    raw = case.operation.definition.raw
    name = raw["operationId"]
    run.asked[role] += 1
    run.answered[response.status_code] += 1
    problems = [*_against_document(case, response, run.headers.get(role, {}))]
    if response.status_code < 300:
        run.succeeded[name] += 1
        if not run.may(role, raw) and response.content != NOTHING:
            problems.append("answered, beyond the rights of the role")
    if seen := [each for each in run.foreign(role) if each in response.text and each not in _sent(case)]:
        problems.append(f"tells of the other unit: {seen}")
    if before and response.status_code >= 300 and state() != before:
        problems.append("refused, but something was written")
    run.wrong += [
        f"{role}: {case.method} {case.formatted_path}: {response.status_code}: {each}\n{response.text[:500]}"
        for each in problems
    ]


def ask_unconditionally(run: Run, case: Any, chance: random.Random) -> None:
    """Without If-Match and Idempotency-Key nothing is written, whoever asks."""
    made_real(case, run.sides[0], chance)
    needed = {
        each["name"] for each in case.operation.definition.raw.get("parameters", ()) if each["in"] == "header"
    }
    for name in CONDITIONS:
        case.headers.pop(name, None)
    before = state()
    response = case.call(headers=run.headers["surgeon"])
    run.asked["unconditional"] += 1
    run.answered[response.status_code] += 1
    if needed & {*CONDITIONS} and (response.status_code < 400 or state() != before):
        run.wrong.append(f"unconditional {case.method} {case.formatted_path}: {response.status_code}")


# --- what a generated case lacks -----------------------------------------------------------------


def made_real(case: Any, of: Side, chance: random.Random) -> None:
    """Let most generated keys name rows that there are, and some bodies be the document's example."""
    at = case.path.removeprefix("/api/v1/").split("/")[0]
    if "uuid" in case.path_parameters and of.rows.get(at) and chance.random() < 0.8:
        case.path_parameters["uuid"] = chance.choice(of.rows[at])
    if isinstance(case.query, dict) and "knee" in case.query and chance.random() < 0.8:
        case.query["knee"] = of.rows["knees"][0]
    content = case.operation.definition.raw.get("requestBody", {}).get("content", {})
    examples = [each["value"] for said in content.values() for each in said.get("examples", {}).values()]
    if examples and chance.random() < 0.5:
        case.body = placed(chance.choice(examples), of)
    elif isinstance(case.body, dict):
        case.body = {name: _real(name, value, of) for name, value in case.body.items()}


def _real(name: str, value: Any, of: Side) -> Any:
    if name in ("knee", "patient", "tear") and isinstance(value, str):
        return of.rows[f"{name}s"][0]
    if isinstance(value, list):
        return [
            {inner: _real(inner, each, of) for inner, each in item.items()}
            if isinstance(item, dict)
            else item
            for item in value
        ]
    return value


def conditions_met(run: Run, case: Any, role: str, chance: random.Random) -> None:
    """Send what the document asks for: the tag of what was just read, or a new key."""
    if "Idempotency-Key" in case.headers:
        case.headers["Idempotency-Key"] = f"{role}-{chance.getrandbits(64)}"
    if "If-Match" in case.headers:
        path = case.formatted_path
        for act in ("withdrawal/", "reinstatement/", "signature/"):
            path = path.removesuffix(act)
        read = run.reader.get(path, headers=run.headers[role])
        case.headers["If-Match"] = read.headers.get("ETag", '"none"')


def _against_document(case: Any, response: Any, headers: dict[str, str]) -> Iterator[str]:
    try:
        case.validate_response(response, checks=CHECKS, headers=headers)
    except FailureGroup as group:
        yield from (str(each) for each in group.exceptions)
    except Failure as failure:
        yield str(failure)


def _sent(case: Any) -> str:
    return f"{case.formatted_path} {case.query} {case.body}"

"""The document of the API laid out for a page: sections, methods, what they take and answer. Pure."""

import json
import re
import shlex
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from registry.api.kinds import Kind, Schemas, kind_of, labels_of

SITE = "https://rimward.example.org"
UUID = "5f0c9d0e-6f0b-4d53-9a3e-0a5a2f7e9b11"
# Told once for all methods, in words of their own.
_TOLD_ONCE = {"If-Match", "If-None-Match", "Idempotency-Key", "cursor", "limit"}
_MEMBER = re.compile(r"\{(\w+)\}")

Operation = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Field:
    """One parameter, or one member of a body."""

    name: str
    kind: Kind
    is_required: bool
    said: str


@dataclass(frozen=True, slots=True)
class Body:
    """An object that is sent or answered, under its name in the document."""

    name: str
    said: str
    fields: tuple[Field, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """What comes back with one status: its words, or the object that it holds."""

    status: str
    said: str
    kind: Kind | None


@dataclass(frozen=True, slots=True)
class Method:
    """One method of one address."""

    code: str
    verb: str
    path: str
    summary: str
    said: str
    scope: str
    headers: tuple[str, ...]
    parameters: tuple[Field, ...]
    takes: Kind | None
    answers: tuple[Answer, ...]
    refuses: tuple[str, ...]
    example: str


@dataclass(frozen=True, slots=True)
class Section:
    """The methods under one heading, and the bodies that they are the first to name."""

    code: str
    title: str
    methods: tuple[Method, ...]
    bodies: tuple[Body, ...]


def outline(document: Mapping[str, Any]) -> list[Section]:
    """The document by its headings, in the order of its addresses."""
    schemas: Schemas = document["components"]["schemas"]
    tagged: dict[str, list[tuple[str, str, Operation]]] = {}
    for path, methods in document["paths"].items():
        for verb, operation in methods.items():
            tagged.setdefault(operation["tags"][0], []).append((path, verb, operation))
    told: set[str] = set()
    return [_section(title, found, schemas, told) for title, found in tagged.items()]


def _section(
    title: str, found: Iterable[tuple[str, str, Operation]], schemas: Schemas, told: set[str]
) -> Section:
    found = list(found)
    names = [name for _, _, operation in found for name in _named(operation, schemas) if name not in told]
    new = list(dict.fromkeys(names))
    told.update(new)
    return Section(
        code="of-" + re.sub(r"\W+", "-", title.lower()),
        title=title,
        methods=tuple(_method(path, verb, operation, schemas) for path, verb, operation in found),
        bodies=tuple(_body(name, schemas) for name in new),
    )


def _method(path: str, verb: str, operation: Operation, schemas: Schemas) -> Method:
    parameters = operation.get("parameters", ())
    scopes = [scope for each in operation["security"] for said in each.values() for scope in said]
    body = _content(operation.get("requestBody", {}))
    return Method(
        code=operation["operationId"],
        verb=verb.upper(),
        path=path,
        summary=operation.get("summary", ""),
        said=operation.get("description", ""),
        scope=" ".join(scopes),
        headers=tuple(each["name"] for each in parameters if each["in"] == "header"),
        parameters=tuple(_parameter(each, schemas) for each in parameters if each["name"] not in _TOLD_ONCE),
        takes=kind_of(body["schema"], schemas) if "schema" in body else None,
        answers=tuple(_answers(operation, schemas)),
        refuses=tuple(status for status in operation["responses"] if status >= "4"),
        example=_example(path, verb, parameters, body),
    )


def _parameter(said: Mapping[str, Any], schemas: Schemas) -> Field:
    kind = kind_of(said["schema"], schemas)
    return Field(said["name"], kind, said.get("required", False), said.get("description", ""))


def _answers(operation: Operation, schemas: Schemas) -> Iterator[Answer]:
    for status, said in operation["responses"].items():
        if status < "4":
            content = _content(said)
            kind = kind_of(content["schema"], schemas) if "schema" in content else None
            yield Answer(status, said.get("description", ""), kind)


def _content(said: Mapping[str, Any]) -> Mapping[str, Any]:
    """The first form in which a body comes."""
    content: Mapping[str, Any] = next(iter(said.get("content", {}).values()), {})
    return content


# --- bodies -----------------------------------------------------------------------------------


def _body(name: str, schemas: Schemas) -> Body:
    schema = schemas[name]
    required = schema.get("required", ())
    fields = (
        Field(member, kind_of(said, schemas), member in required, _words(said, schemas))
        for member, said in schema.get("properties", {}).items()
    )
    return Body(name, schema.get("description", ""), tuple(fields))


def _words(said: Mapping[str, Any], schemas: Schemas) -> str:
    """What a member is called on the pages and how it is explained, without its list of codes."""
    text, _ = labels_of(said.get("description", ""))
    title = said.get("title", "")
    return f"{title}. {text}" if title and text else title or text


def _named(operation: Operation, schemas: Schemas) -> Iterator[str]:
    """Every object that a method takes or answers, with those within it."""
    contents = [_content(operation.get("requestBody", {}))]
    contents += [_content(said) for status, said in operation["responses"].items() if status < "4"]
    waiting = [name for content in contents for name in _objects_in(content.get("schema", {}), schemas)]
    seen: set[str] = set()
    while waiting:
        name = waiting.pop(0)
        if name not in seen:
            seen.add(name)
            yield name
            waiting += _objects_in(schemas[name], schemas)


def _objects_in(schema: Any, schemas: Schemas) -> Iterator[str]:
    if isinstance(schema, Mapping):
        name = str(schema.get("$ref", "")).rpartition("/")[2]
        if name and "properties" in schemas[name]:
            yield name
        for each in schema.values():
            yield from _objects_in(each, schemas)
    elif isinstance(schema, list):
        for each in schema:
            yield from _objects_in(each, schemas)


# --- examples ---------------------------------------------------------------------------------


def _example(path: str, verb: str, parameters: Iterable[Mapping[str, Any]], body: Mapping[str, Any]) -> str:
    """The request as it is typed in a terminal, with everything that has to be sent."""
    at = _MEMBER.sub(lambda member: _sample(member[1], parameters), path)
    lines = [f"curl {SITE}{at}", '-H "Authorization: Bearer $KEY"']
    if verb != "get":
        lines.insert(1, f"-X {verb.upper()}")
    lines += [f"-H '{name}: {_HEADERS[name]}'" for name in _required_headers(parameters)]
    if body:
        lines += ["-H 'Content-Type: application/json'", f"-d {shlex.quote(_sent(body))}"]
    return " \\\n  ".join(lines)


_HEADERS = {"If-Match": '"0-2f1c0e5ad7e84b0f9c2d6a417b3e8d50"', "Idempotency-Key": "6c1f0e52-0001"}


def _required_headers(parameters: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    for each in parameters:
        if each["in"] == "header" and each.get("required"):
            yield each["name"]


def _sample(name: str, parameters: Iterable[Mapping[str, Any]]) -> str:
    """A value for a part of the path."""
    schema: Mapping[str, Any] = next(
        (each["schema"] for each in parameters if each["name"] == name and each["in"] == "path"), {}
    )
    if "enum" in schema:
        return str(schema["enum"][0])
    if schema.get("type") == "integer":
        return "1"
    return UUID if schema.get("format") == "uuid" else {"name": "pattern"}.get(name, "koos")


def _sent(body: Mapping[str, Any]) -> str:
    examples = list(body.get("examples", {}).values())
    value = examples[0]["value"] if examples else {}
    return json.dumps(value, ensure_ascii=False, indent=1)

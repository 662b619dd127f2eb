"""What a value of the document may be, in words: its type, its limits, its codes. Pure."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

Schemas = Mapping[str, Mapping[str, Any]]
Schema = Mapping[str, Any]

# A line of a list of codes, as the generator writes it below a description.
_CODE = re.compile(r"^\* `(?P<code>[^`]*)` - (?P<label>.*)$", re.MULTILINE)
_FORMATS = {
    "uuid": "UUID",
    "date": "date, YYYY-MM-DD",
    "date-time": "time with its offset (ISO 8601)",
    "uri": "address",
    "uri-reference": "address",
    "email": "e-mail address",
    "binary": "file",
}
_TYPES = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "true or false",
    "object": "object",
}


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of value: words before the name of an object, if it is one, and its codes with their labels."""

    words: str
    name: str = ""
    codes: tuple[tuple[str, str], ...] = ()
    may_be_null: bool = False


def kind_of(schema: Schema, schemas: Schemas) -> Kind:
    """The kind of value that a schema asks for."""
    whole, name, may_be_null = _resolved(schema, schemas)
    if name:
        return Kind("", name, (), may_be_null)
    if _type(whole) == "array":
        of = kind_of(whole.get("items", {}), schemas)
        return Kind(
            f"list of {of.words}".rstrip() + ("" if of.words else " "), of.name, of.codes, may_be_null
        )
    if "enum" in whole:
        return Kind("one of", "", tuple(_codes(whole)), may_be_null)
    return Kind(", ".join([_plain(whole), *_limits(whole)]), "", (), may_be_null)


def labels_of(description: str) -> tuple[str, dict[str, str]]:
    """A description without its list of codes, and the label of each code."""
    labels = {found["code"]: found["label"] for found in _CODE.finditer(description)}
    return _CODE.sub("", description).strip(), labels


def _resolved(schema: Schema, schemas: Schemas) -> tuple[dict[str, Any], str, bool]:
    """A schema with what it refers to; the name of the object it is, if any; whether null is allowed."""
    whole, may_be_null = dict(schema), "null" in _types(schema)
    for each in (*whole.pop("allOf", ()), *whole.pop("oneOf", ()), *whole.pop("anyOf", ())):
        may_be_null |= "null" in _types(each)
        inner, name, _ = _resolved(each, schemas)
        if name:
            return whole, name, may_be_null
        whole = _merged(whole, inner)
    if "$ref" in whole:
        name = str(whole.pop("$ref")).rpartition("/")[2]
        found = schemas[name]
        if "properties" in found:
            return whole, name, may_be_null
        inner, _, null_inside = _resolved(found, schemas)
        return _merged(whole, inner), "", may_be_null or null_inside
    may_be_null |= None in whole.get("enum", ())
    return whole, "", may_be_null


def _merged(whole: dict[str, Any], inner: Mapping[str, Any]) -> dict[str, Any]:
    """One schema of two: codes of both, otherwise what the outer says first."""
    codes = [*whole.get("enum", ()), *inner.get("enum", ())]
    said = "\n".join(filter(None, (whole.get("description", ""), inner.get("description", ""))))
    return {**inner, **whole, "description": said, **({"enum": codes} if codes else {})}


def _types(schema: Schema) -> list[str]:
    said = schema.get("type", ())
    return [said] if isinstance(said, str) else list(said)


def _type(schema: Schema) -> str:
    return next((each for each in _types(schema) if each != "null"), "")


def _codes(whole: Schema) -> Iterator[tuple[str, str]]:
    _, labels = labels_of(whole.get("description", ""))
    for code in dict.fromkeys(whole["enum"]):
        if code is not None:
            told = str(code) if code != "" else '""'
            yield told, labels.get(str(code), "not said" if code == "" else "")


def _plain(whole: Schema) -> str:
    return _FORMATS.get(whole.get("format", ""), _TYPES.get(_type(whole), "any value"))


def _limits(whole: Schema) -> Iterator[str]:
    lowest, highest = whole.get("minimum"), whole.get("maximum")
    if lowest is not None and highest is not None:
        yield f"{lowest} to {highest}"
    elif lowest is not None:
        yield f"{lowest} or more"
    elif highest is not None:
        yield f"{highest} or less"
    if (longest := whole.get("maxLength")) is not None:
        yield f"at most {longest} characters"
    if "default" in whole:
        yield f"else {whole['default']}"

"""The JSON Schema (2020-12) of an archive's lines, made from the models that the rows are of."""

from functools import cache
from typing import Any

import jsonschema_rs
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.backends.base.operations import BaseDatabaseOperations

from registry.archive.tables import COLUMNS_NOT_IN_IT, NOT_IN_IT, Table, tables

Schema = dict[str, Any]

FORMAT, VERSION = "rimward-archive", 1
DRAFT = "https://json-schema.org/draft/2020-12/schema"
_SLUG = "^[-a-zA-Z0-9_]+$"
_FORMATS = {"DateTimeField": "date-time", "DateField": "date", "UUIDField": "uuid"}
# PostgreSQL's, which are the narrower; asked of the connection they would differ.
_RANGES = BaseDatabaseOperations.integer_field_ranges


def schema() -> Schema:
    """One document for every line: header, row of a table, or last line."""
    return {
        "$schema": DRAFT,
        "title": "One line of an archive of a record of meniscal repairs",
        "description": _left_out(),
        "oneOf": [HEADER, *(row_schema(table) for table in tables().values()), LAST],
    }


@cache
def validator_of(table: str) -> Any:
    """Checks the lines of one table."""
    return _validator(row_schema(tables()[table]))


@cache
def validator_of_header() -> Any:
    return _validator(HEADER)


@cache
def validator_of_last() -> Any:
    return _validator(LAST)


def row_schema(table: Table) -> Schema:
    """A line of one table: every column, and no other."""
    row = _closed({each.attname: _column(each) for each in table.columns})
    title = {"title": str(table.model._meta.verbose_name)}
    return title | _closed({"table": {"const": table.name}, "row": row})


def _validator(part: Schema) -> Any:
    return jsonschema_rs.Draft202012Validator(part, validate_formats=True)


def _left_out() -> str:
    """What an archive leaves out of the record's tables, and why."""
    whole = [f"{model.__name__}: {why}" for model, why in NOT_IN_IT.items()]
    single = [
        f"{model.__name__}.{column}: {why}"
        for model, columns in COLUMNS_NOT_IN_IT.items()
        for column, why in columns.items()
    ]
    return f"Not in it: {'; '.join(whole + single)}."


def _closed(properties: Schema) -> Schema:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


HEADER: Schema = {"title": "header"} | _closed(
    {
        "archive": {"const": FORMAT},
        "version": {"const": VERSION},
        "software": {"type": "string"},
        "written_at": {"type": "string", "format": "date-time"},
        "identities": {"type": "boolean"},
        "rows": {"type": "object", "additionalProperties": {"type": "integer", "minimum": 0}},
    }
)
LAST: Schema = {"title": "last line"} | _closed({"sha256": {"type": "string", "pattern": "^[0-9a-f]{64}$"}})


def _column(field: Any) -> Schema:
    said = _choice(field) if field.choices else _typed(field)
    described = {"description": str(field.verbose_name)}
    return described | ({"anyOf": [said, {"type": "null"}]} if field.null else said)


def _choice(field: Any) -> Schema:
    codes = [code for code, _ in field.choices]
    return {"enum": ["", *codes] if field.blank and isinstance(codes[0], str) else codes}


def _typed(field: Any) -> Schema:
    match field:
        case models.BooleanField():
            return {"type": "boolean"}
        case models.ForeignKey() | models.AutoField():
            return {"type": "integer", "minimum": 1, "maximum": _RANGES["BigIntegerField"][1]}
        case models.IntegerField():
            return {"type": "integer", **_limits(field)}
        case models.DecimalField():
            return {"type": "string", "pattern": _digits(field)}
        case models.JSONField():
            return {"type": "array" if isinstance(field.get_default(), list) else "object"}
        case _:
            return _text(field)


def _text(field: Any) -> Schema:
    if name := _FORMATS.get(field.get_internal_type()):
        return {"type": "string", "format": name}
    longest = {"maxLength": field.max_length} if field.max_length else {}
    return {
        "type": "string",
        **longest,
        **({"pattern": _SLUG} if isinstance(field, models.SlugField) else {}),
    }


def _digits(field: Any) -> str:
    """A decimal with the digits of its column; its limits are the database's to check."""
    places = field.decimal_places
    return rf"^-?\d{{1,{field.max_digits - places}}}\.\d{{{places}}}$"


def _limits(field: Any) -> Schema:
    lowest, highest = _RANGES[field.get_internal_type()]
    for check in field.validators:
        if isinstance(check, MinValueValidator):
            lowest = max(lowest, check.limit_value)
        elif isinstance(check, MaxValueValidator):
            highest = min(highest, check.limit_value)
    return {"minimum": lowest, "maximum": highest}

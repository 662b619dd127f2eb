"""datapackage.json: the tables described for programs (Frictionless Data Package v1, Table Schema)."""

import json
import re
from collections.abc import Mapping
from typing import Any

from outcomes.release.columns import BOOLEAN, CODES, COLUMNS, INTEGER, JOINED_BY, NUMBER, Column
from outcomes.release.frozen import LOOKS, REOPERATIONS, REPAIRS, SCORES, TABLES, VISITS, Frozen
from outcomes.release.package.archive import Sum
from outcomes.release.package.citation import title
from outcomes.release.package.words import NOT_PROMISED, ROWS_OF, one_line

PROFILE, RESOURCE_PROFILE = "tabular-data-package", "tabular-data-resource"
_TYPES = {INTEGER: "integer", NUMBER: "number", BOOLEAN: "boolean"}
_DIALECT = {"delimiter": ",", "lineTerminator": "\n", "header": True, "doubleQuote": True}
# Which columns name rows of the table of repairs.
_POINTING = {
    REPAIRS: (("revises", "repair"),),
    VISITS: (("operation", "operation"), ("patient", "patient")),
    SCORES: (("operation", "operation"), ("patient", "patient")),
    LOOKS: (("repair", "repair"), ("patient", "patient")),
    REOPERATIONS: (("operation", "operation"), ("patient", "patient"), ("repair", "repair")),
}


def data_package(frozen: Frozen, sums: Mapping[str, Sum]) -> str:
    """The description of the CSV files as JSON."""
    said = {
        "profile": PROFILE,
        "name": "de-identified-meniscal-repairs",
        "title": title(frozen),
        "description": f"{one_line(frozen.cohort_sentence)} {NOT_PROMISED}",
        "version": frozen.month,
        "keywords": ["meniscus", "repair", "survival", "registry", "de-identified"],
        "resources": [_resource(table, sums[f"{table}.csv"]) for table in TABLES],
    }
    return json.dumps(said, indent=1, ensure_ascii=False) + "\n"


def _resource(table: str, taken: Sum) -> dict[str, Any]:
    return {
        "profile": RESOURCE_PROFILE,
        "name": table,
        "path": f"{table}.csv",
        "title": f"{table.capitalize()}: {ROWS_OF[table]}",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": taken.size,
        "hash": f"sha256:{taken.sha256}",
        "dialect": _DIALECT,
        "schema": _schema(table),
    }


def _schema(table: str) -> dict[str, Any]:
    columns = COLUMNS[table]
    schema: dict[str, Any] = {
        "fields": [_field(column) for column in columns],
        "missingValues": sorted({"", *(column.missing for column in columns)}),
        "foreignKeys": [_foreign_key(own, other, table) for own, other in _POINTING[table]],
    }
    return {**schema, "primaryKey": "repair"} if table == REPAIRS else schema


def _foreign_key(own: str, other: str, table: str) -> dict[str, Any]:
    """A table points at itself by an empty name."""
    return {"fields": own, "reference": {"resource": "" if table == REPAIRS else REPAIRS, "fields": other}}


def _field(column: Column) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES.get(column.type, "string"),
        "title": column.label,
        "description": f"Source: {column.source}.",
    }
    if column.unit:
        field["unit"] = column.unit
    constraints = _constraints(column)
    return {**field, "constraints": constraints} if constraints else field


def _constraints(column: Column) -> dict[str, Any]:
    """Which values may stand in it; nothing where any may."""
    if not column.allowed:
        return {}
    if column.type == CODES:
        one = f"({'|'.join(map(re.escape, column.allowed))})"
        return {"pattern": f"{one}({re.escape(JOINED_BY)}{one})*"}
    return {"enum": [int(code) if column.type == INTEGER else code for code in column.allowed]}

"""The data types that resources are made of: identifiers, references, concepts, quantities and dates.

Codes are our own, in code systems under OWN, but for HL7's (from memory) and UCUM's, which are free to use.
"""

from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID, uuid5

from django.db import models

from registry.vocabulary import DatePrecision

Json = dict[str, Any]

OWN = "urn:x-rimward"
UCUM = "http://unitsofmeasure.org"
# Of HL7's own terminology, from memory.
ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
CONDITION_STATUS = "http://terminology.hl7.org/CodeSystem/condition-clinical"
GS1_ISSUER = "http://hl7.org/fhir/NamingSystem/gs1-di"


def derived(of: UUID, part: str) -> UUID:
    """A stable key for what has none of its own."""
    return uuid5(of, part)


def reference(key: UUID) -> Json:
    """To another resource of the same bundle."""
    return {"reference": f"urn:uuid:{key}"}


def known_as(kind: str, code: str) -> Json:
    """To somebody or something outside the bundle, by our code for it."""
    return {"identifier": {"system": f"{OWN}:{kind}", "value": code}}


def concept(system: str, code: str, display: str) -> Json:
    """A concept of one of our own code systems."""
    return {"coding": [{"system": f"{OWN}:{system}", "code": code, "display": display}], "text": display}


def of_hl7(system: str, code: str) -> Json:
    return {"coding": [{"system": system, "code": code}]}


def field_concept(field: Any) -> Json:
    """What a field of the record is about: the code that an Observation of it carries."""
    name = f"{field.model.__name__}.{field.name}"
    return concept("field", name, str(field.verbose_name))


def choice_concept(row: models.Model, name: str) -> Json:
    """The chosen code of a coded field."""
    field: Any = row._meta.get_field(name)
    value = getattr(row, name)
    return concept(f"{field.model.__name__}.{field.name}", str(value), str(dict(field.choices)[value]))


def quantity(value: int | float | Decimal, unit: str) -> Json:
    """A number with its UCUM unit."""
    number = float(value) if isinstance(value, Decimal) else value
    return {"value": number, "unit": unit, "system": UCUM, "code": unit}


def day(of: date, precision: str = DatePrecision.DAY) -> str:
    """An ISO 8601 date as exact as it is known."""
    return of.isoformat() if precision == DatePrecision.DAY else f"{of:%Y-%m}"


def instant(at: datetime) -> str:
    return at.isoformat(timespec="seconds")

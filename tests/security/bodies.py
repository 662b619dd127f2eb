"""What a program sends to put something on record: the API's own examples, about one unit's rows."""

import json
from typing import Any

from registry.api import examples
from tests.security.addresses import Address
from tests.security.house import Side

EXAMPLES: dict[str, dict[str, Any]] = {
    "patients": examples.PATIENT,
    "operations": examples.OPERATION,
    "visits": examples.VISIT,
    "second-looks": examples.SECOND_LOOK,
    "imaging": examples.IMAGING,
    "reoperations": examples.REOPERATION,
    "complications": examples.COMPLICATION,
    "contacts": examples.CONTACT,
    "ends-of-follow-up": examples.END,
    "scores": examples.SCORE,
}
NUMBER = {"hospital_number": "northmere 1"}


def body_of(address: Address, side: Side) -> str:
    """The body as text; an empty object where the address puts nothing on record by an example."""
    if address.name == "api_find_patient":
        return json.dumps(NUMBER)
    is_placed = names_an_object(address, "post")
    return json.dumps(placed(EXAMPLES[address.slug], side) if is_placed else {})


def names_an_object(address: Address, verb: str) -> bool:
    """Whether the body says what of a unit it is about."""
    return verb == "post" and address.name.endswith("_list") and address.slug in EXAMPLES


def placed(example: Any, side: Side) -> Any:
    """An example that names this unit, its surgeon and its rows."""
    names = {"unit": side.unit.code, "lead_surgeon": side.parts["surgeon"]}
    return {name: names.get(name) or _placed(name, value, side) for name, value in example.items()}


def _placed(name: str, value: Any, side: Side) -> Any:
    if name in ("knee", "patient", "tear"):
        return str(side.rows[f"{name}s"].uuid)
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return [placed(each, side) for each in value]
    return value

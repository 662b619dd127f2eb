"""A program that knows only the document: records a patient's course by its operations, and reads survival.

    python api_client.py ADDRESS KEY

prints what it was answered, as JSON.
"""

import json
import sys
import uuid
from datetime import date, timedelta
from typing import Any

import httpx


class Registry:
    """The API as its document tells of it: every request goes by the name of its operation."""

    def __init__(self, address: str, key: str) -> None:
        self.web = httpx.Client(base_url=address, headers={"Authorization": f"Bearer {key}"}, timeout=30)
        document = self.web.get("/api/v1/openapi.json").raise_for_status().json()
        self.operations = {
            operation["operationId"]: (verb, path, operation)
            for path, verbs in document["paths"].items()
            for verb, operation in verbs.items()
        }

    def ask(
        self, name: str, body: Any = None, *, tag: str = "", query: Any = None, **parts: str
    ) -> httpx.Response:
        """Send one request with the headers that the document asks for."""
        verb, path, operation = self.operations[name]
        asked = {each["name"] for each in operation.get("parameters", ()) if each["in"] == "header"}
        headers = {"Idempotency-Key": str(uuid.uuid4())} if "Idempotency-Key" in asked else {}
        if "If-Match" in asked:
            headers["If-Match"] = tag
        answer = self.web.request(verb, path.format(**parts), json=body, params=query, headers=headers)
        if answer.is_error:
            raise SystemExit(f"{name}: {answer.status_code} {answer.text}")
        return answer


def _days_ago(days: int) -> str:
    return (date.today() - timedelta(days=days)).isoformat()


def a_course(registry: Registry) -> dict[str, Any]:
    """A medial tear repaired, looked at again, then partly removed."""
    patient = registry.ask(
        "record_patient", {"hospital_number": "NM 7001", "sex": "female", "born_on": "1998-04-11"}
    ).json()
    tear = {
        "meniscus": "medial",
        "pattern": "bucket_handle",
        "vascular_zone": "RW",
        "length_mm": 24,
        "treatment": "repaired",
        "repair": {"all_inside": True, "augmentation": "prp"},
    }
    operation = registry.ask(
        "record_operation",
        {
            "patient": patient["uuid"],
            "side": "right",
            "operated_on": _days_ago(12),
            "injured_on": _days_ago(25),
            "lead_surgeon": "oak",
            "acl": "intact",
            "tears": [tear],
        },
    ).json()
    knee, torn = operation["knee"], operation["tears"][0]["uuid"]
    look = registry.ask(
        "record_second_look",
        {
            "knee": knee,
            "looked_on": _days_ago(6),
            "reason": "symptoms",
            "findings": [{"tear": torn, "healed_thickness_percent": 80, "healed_length_percent": 90}],
        },
    ).json()
    again = registry.ask(
        "record_reoperation",
        {
            "knee": knee,
            "operated_on": _days_ago(2),
            "findings": [{"tear": torn, "action": "partial_removal", "site": "same"}],
        },
    ).json()
    return {"patient": patient, "operation": operation, "second_look": look, "reoperation": again}


def corrected(registry: Registry, look: dict[str, Any]) -> Any:
    """The look once more, after a mistyped day was mended by who had just read it."""
    read = registry.ask("read_second_look", uuid=look["uuid"])
    body = {"looked_on": _days_ago(5), "correction_reason": "mistyped day"}
    return registry.ask("correct_second_look", body, tag=read.headers["ETag"], uuid=look["uuid"]).json()


def main(address: str, key: str) -> None:
    registry = Registry(address, key)
    seen = a_course(registry)
    seen["corrected_look"] = corrected(registry, seen["second_look"])
    seen["survival"] = registry.ask("read_survival", query={"split": "zone"}).json()
    json.dump(seen, sys.stdout)


if __name__ == "__main__":
    main(*sys.argv[1:])

"""A record told whole, value by value and figure by figure, without asking the archive what belongs to it.

As a program it makes an empty database, reads an archive into it, and writes down what it holds then.
"""

import json
import os
import sys
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

CLOSED_ON = date(2025, 6, 30)
# What no archive holds, of the record's own app.
NOT_IN_IT = {
    "AccessKey", "AccountEvent", "BrowserSession", "Creation", "DataVersion", "Draft", "Erasure",
    "IdentityView", "IntakeMemory", "Invitation", "KnockCount", "LotLookUp", "Membership",
    "Message", "Opening", "PatientLink", "RecoveryCode", "SecondFactor", "Wording",
}  # fmt: skip
OF_INTAKES = {
    "id", "uuid", "unit_id", "begun_by_id", "begun_at", "file_name", "file_sha256", "mapping", "state",
    "report_sealed", "taken_in_by_id", "taken_in_at", "undone_by_id", "undone_at", "undone_because",
}  # fmt: skip
OF_ACCOUNTS = {"id", "username", "first_name", "last_name"}


def record_told() -> dict[str, list[dict[str, Any]]]:
    """Every row by model, sealed values opened; of blind indexes whether they are those of their number."""
    from django.apps import apps

    from registry.models import Surgeon

    models = [each for each in apps.get_app_config("registry").get_models() if each.__name__ not in NOT_IN_IT]
    told = json.loads(
        json.dumps(
            {each.__name__: _rows(each) for each in (*models, Surgeon.units.through)},
            default=str,
            sort_keys=True,
        )
    )
    told["Intake"] = [
        {name: row[name] for name in OF_INTAKES}
        for row in told["Intake"]
        if row["state"] in ("taken_in", "undone")
    ]
    named = _named(told)
    told["User"] = [{name: row[name] for name in OF_ACCOUNTS} for row in told["User"] if row["id"] in named]
    return dict(told)


def _rows(model: Any) -> list[dict[str, Any]]:
    columns = [each.attname for each in model._meta.concrete_fields if each.attname != "file_sealed"]
    return [_opened(row) for row in model._base_manager.order_by("pk").values(*columns)]


def _opened(row: dict[str, Any], unit: int | None = None) -> dict[str, Any]:
    from registry.sealing import blind_index, unseal

    opened: dict[str, Any] = {}
    for name, value in row.items():
        if name.endswith("_sealed"):
            opened[name] = unseal(value)
        elif isinstance(value, dict):
            opened[name] = _opened(value, _unit_of(row))
        else:
            opened[name] = value
    if "hospital_number_index" in row:
        index = blind_index(row.get("unit_id", unit), opened["hospital_number_sealed"])
        opened["hospital_number_index"] = row["hospital_number_index"] == index
    return opened


def _unit_of(correction: dict[str, Any]) -> int | None:
    from registry.models import Identity

    rows = Identity.ever.filter(pk=correction.get("row_id")).values_list("unit_id", flat=True)
    return rows.first() if correction.get("row_table") == "registry_identity" else None


def _named(told: dict[str, list[dict[str, Any]]]) -> set[int]:
    """Keys of the accounts that some row names."""
    columns = {
        "user_id",
        *(f"{act}_by_id" for act in ("recorded", "signed", "made", "begun", "taken_in", "undone")),
    }
    return {row[name] for rows in told.values() for row in rows for name in columns & set(row)} - {None}


def figures_told() -> dict[str, str]:
    """By each definition of failure and unit: counts in every split, and survival by each of the main ones.

    Survival by the other splits follows from the same counts, without the record being asked again.
    """
    from outcomes.cohort import Cohort
    from outcomes.failure import DEFINITIONS
    from outcomes.strata import MAIN_STRATA, STRATA
    from outcomes.survival import count_cohort, results_of
    from registry.models import Unit

    units, told = Unit.objects.all(), {}
    for definition in DEFINITIONS.values():
        for unit in units:
            cohort = Cohort(which="all", unit=unit.code)
            counted = count_cohort(cohort, units, definition, STRATA.values(), CLOSED_ON)
            told[f"{definition.code} {unit.code}"] = _exactly(counted)
            for result in results_of(counted, "", definition, CLOSED_ON, tuple(MAIN_STRATA.values())):
                told[f"{definition.code} {unit.code} {result.stratum_code}"] = _exactly(result)
    return told


def _exactly(result: Any) -> str:
    """A result to the last digit: numbers of an array would be printed shortened."""
    return json.dumps(asdict(result), default=_plain)


def _plain(value: Any) -> Any:
    if hasattr(value, "to_csv"):
        # A count says nothing by the order of its rows, which is the engine's.
        return value.sort_values([*value.columns]).to_csv(index=False)
    return value.tolist() if hasattr(value, "tolist") else str(value)


def main(archive: Path, key_file: Path, into: Path) -> None:
    import django

    os.environ["DJANGO_SETTINGS_MODULE"] = "registry.site.settings"
    django.setup()
    from django.core.management import call_command

    from tests.tables import make_tables

    make_tables()
    call_command("archive", "read", str(archive), "--key-file", str(key_file))
    into.write_text(json.dumps({"record": record_told(), "figures": figures_told()}))


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))

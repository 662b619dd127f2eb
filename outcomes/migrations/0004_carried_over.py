"""Named cohorts get their first version, and releases made before become the first entries of the ledger."""

import json
from hashlib import sha256

from django.db import migrations

NOTHING_BEFORE = "0" * 64


def first_versions(apps, schema_editor):
    NamedCohort = apps.get_model("outcomes", "NamedCohort")
    CohortVersion = apps.get_model("outcomes", "CohortVersion")
    database = schema_editor.connection.alias
    for named in NamedCohort.objects.using(database).order_by("pk"):
        CohortVersion.objects.using(database).create(
            cohort=named,
            number=1,
            query=named.query,
            definition=named.definition,
            made_by_id=named.made_by_id,
            made_at=named.made_at,
        )


def releases_into_ledger(apps, schema_editor):
    ReleaseEntry = apps.get_model("outcomes", "ReleaseEntry")
    LedgerEntry = apps.get_model("outcomes", "LedgerEntry")
    database, previous = schema_editor.connection.alias, NOTHING_BEFORE
    before = ReleaseEntry.objects.using(database).order_by("released_at", "pk")
    for number, release in enumerate(before, start=1):
        entry = LedgerEntry(
            number=number,
            uuid=release.uuid,
            kind="rows",
            written_at=release.released_at,
            written_by_id=release.released_by_id,
            content=_content(release),
            previous_hash=previous,
        )
        entry.own_hash = previous = _hash(entry)
        entry.save(using=database)


def _content(release):
    said = {
        "project": release.project,
        "purpose": release.purpose,
        "approval": release.approval,
        "units": sorted(unit.code for unit in release.units.all()),
        "cohort": {"sentence": release.cohort_sentence},
        "definition": release.definition,
        "rows": {
            "in_cohort": release.rows_in_cohort,
            "permitted": release.rows_permitted,
            "suppressed": release.rows_suppressed,
            "released": release.rows_released,
        },
        "smallest_class": release.smallest_class,
        "by": release.released_by.username,
        "sha256": release.sha256,
        "note": "Made before the ledger was chained; its package was handed over and not kept.",
    }
    return json.dumps(said, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def _hash(entry):
    """As LedgerEntry.worked_out_hash works it out."""
    fields = [
        entry.previous_hash,
        str(entry.number),
        str(entry.uuid),
        entry.kind,
        entry.written_at.isoformat(timespec="microseconds"),
        str(entry.written_by_id),
        str(entry.of_id or ""),
        entry.content,
    ]
    return sha256("\n".join(fields).encode()).hexdigest()


class Migration(migrations.Migration):

    dependencies = [
        ("outcomes", "0003_ledger_and_versions"),
    ]

    operations = [
        migrations.RunPython(first_versions, migrations.RunPython.noop),
        migrations.RunPython(releases_into_ledger, migrations.RunPython.noop),
    ]

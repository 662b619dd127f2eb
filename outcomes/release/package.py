"""The package: one zip of table, codebook and manifest, byte for byte the same when made again."""

import csv
import io
import json
import zipfile
from dataclasses import asdict, astuple, fields
from hashlib import sha256
from importlib.metadata import version

from outcomes.failure import FailureDefinition
from outcomes.release.columns import COLUMNS, MISSING_CODES, QUASI_IDENTIFIERS, SMALLEST_CLASS, Column
from outcomes.release.rows import ReleaseRows

FORMAT_VERSION = 1
NOT_PROMISED = (
    "Small classes do not stop an attacker who knows rare clinical facts. Re-identification is forbidden, "
    "and a data use agreement and local information-governance rules still apply."
)
# Zip members carry a date; one that says nothing keeps packages equal.
_NO_DATE = (1980, 1, 1, 0, 0, 0)


def package_bytes(
    rows: ReleaseRows,
    *,
    project: str,
    purpose: str,
    approval: str,
    cohort: str,
    definition: FailureDefinition,
) -> bytes:
    """The zip of a release."""
    files = {
        "repairs.csv": rows.table.to_csv(index=False, lineterminator="\n").encode(),
        "codebook.csv": _codebook(),
    }
    manifest = {
        "format": FORMAT_VERSION,
        "software": f"rimward {version('rimward')}",
        "project": project,
        "purpose": purpose,
        "approval": approval,
        "cohort": cohort,
        "failure": {
            "name": definition.name,
            "definition": definition.sentence,
            "cautions": definition.cautions,
        },
        "counts": {
            "in_cohort": rows.in_cohort,
            "permitted": rows.permitted,
            "suppressed": rows.suppressed,
            "released": len(rows.table),
        },
        "anonymity": {
            "quasi_identifiers": QUASI_IDENTIFIERS,
            "counted_in": "patients",
            "smallest_class_required": SMALLEST_CLASS,
            "smallest_class_reached": rows.smallest_class,
        },
        "not_promised": NOT_PROMISED,
        "sha256": {name: sha256(content).hexdigest() for name, content in files.items()},
    }
    files["manifest.json"] = json.dumps(manifest, indent=1, ensure_ascii=False).encode()
    return _zip(files)


def _codebook() -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*(field.name for field in fields(Column)), "missing"])
    writer.writerows([*astuple(column), _missing(column)] for column in COLUMNS)
    return text.getvalue().encode()


def _missing(column: Column) -> str:
    return " ".join(code for code in MISSING_CODES if code in asdict(column)["allowed"].split())


def _zip(files: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(files):
            archive.writestr(zipfile.ZipInfo(name, _NO_DATE), files[name], zipfile.ZIP_DEFLATED)
    return buffer.getvalue()

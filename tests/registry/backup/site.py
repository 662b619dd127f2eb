"""A small installation, written into the database of the environment: a record, a release, its package.

As a program, so that it is a database that no test's transaction holds.
"""

import os
from hashlib import sha256
from pathlib import Path
from uuid import uuid4

PACKAGE = b"what left the house, as it left"


def write_release(content: bytes = PACKAGE) -> str:
    """A package in the store and its entry in the ledger; its file name."""
    from outcomes.models import LedgerKind
    from outcomes.release import ledger, store
    from registry.models import User

    person, uuid = User.objects.order_by("pk").first(), uuid4()

    def write(path: Path) -> str:
        path.write_bytes(content)
        return sha256(content).hexdigest()

    digest, _ = store.keep(uuid, write)
    ledger.write(LedgerKind.ROWS, person, {"kept": True, "sha256": digest, "units": []}, uuid=uuid)
    store.publish(uuid)
    return f"{uuid}.zip"


def main() -> None:
    import django

    os.environ["DJANGO_SETTINGS_MODULE"] = "registry.site.settings"
    django.setup()
    from django.db import transaction

    from tests.registry.archive import conftest as archived
    from tests.tables import make_tables

    make_tables()
    archived.PATIENTS = 40
    with transaction.atomic():
        archived.put_on_record()
    write_release()


if __name__ == "__main__":
    main()

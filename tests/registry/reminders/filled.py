"""Fill an empty database with patients who are due, in a process of its own.

    DATABASE_URL=... python -m tests.registry.reminders.filled PATIENTS

Its tables are made as the models say, not by one migration after the other, which takes ten times as long.
"""

import os
import sys

import django
from django.conf import settings
from django.core.management import call_command


def main(patients: int) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "registry.site.settings"
    settings.MIGRATION_MODULES = {
        name: None for name in ("auth", "contenttypes", "sessions", "registry", "outcomes")
    }
    django.setup()
    call_command("migrate", run_syncdb=True, verbosity=0)

    from tests import factories
    from tests.registry.reminders.people import a_followed_knee

    unit = factories.a_unit("northmere")
    oak = factories.a_surgeon(unit, "oak")
    for number in range(patients):
        a_followed_knee(unit, oak, f"patient-{number}")


if __name__ == "__main__":
    main(int(sys.argv[1]))

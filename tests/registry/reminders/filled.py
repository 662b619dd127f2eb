"""Fill an empty database with patients who are due: python -m tests.registry.reminders.filled PATIENTS."""

import os
import sys

import django


def main(patients: int) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "registry.site.settings"
    django.setup()

    from tests import factories
    from tests.registry.reminders.people import a_followed_knee
    from tests.tables import make_tables

    make_tables()
    unit = factories.a_unit("northmere")
    oak = factories.a_surgeon(unit, "oak")
    for number in range(patients):
        a_followed_knee(unit, oak, f"patient-{number}")


if __name__ == "__main__":
    main(int(sys.argv[1]))

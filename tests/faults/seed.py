"""Fills an empty database with what the writers need, and prints the key they ask with.

python -m tests.faults.seed
"""

import django

django.setup()

from registry.api import keys  # noqa: E402 - only once Django is set up
from tests import factories  # noqa: E402
from tests.tables import make_tables  # noqa: E402


def main() -> None:
    make_tables()
    unit = factories.a_unit("northmere")
    surgeon = factories.a_person("oak", ("surgeon", unit))
    factories.a_surgeon(unit, "oak", surgeon)
    print(keys.make(surgeon, "writers", keys.scopes_open_to(surgeon), 1)[1])  # noqa: T201 - what it is for


if __name__ == "__main__":
    main()

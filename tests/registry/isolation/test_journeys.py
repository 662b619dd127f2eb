"""The site at work under the application's role: tests of pages and API, run with every request so."""

import os
import subprocess
import sys
from collections.abc import Callable

import pytest

from tests.servers import SAID_AT_THE_END

PAGES = "tests/registry/pages"
JOURNEYS = [
    f"{PAGES}/test_record_operation.py::test_a_new_patient_with_two_repairs_and_a_tear_left_alone",
    f"{PAGES}/test_record_event.py::test_each_kind_end_to_end[second-look]",
    f"{PAGES}/test_correct_operation.py::test_a_card_removed_is_withdrawn_with_all_its_parts",
    f"{PAGES}/test_unit.py::test_whose_results_another_unit_holds_keeps_the_account",
    "tests/registry/rights/test_pages.py::test_with_permission_the_page_says_what_stays",
    "tests/registry/patient_link/test_answering.py::test_all_is_on_record_when_sent",
    "tests/registry/api/test_operations.py::test_what_is_recorded_reads_back_as_it_was_sent",
    "tests/outcomes/pages/test_survival.py::test_the_table_holds_the_estimators_numbers",
    "tests/outcomes/pages/test_releases.py::test_from_the_form_to_the_package",
    "tests/registry/isolation/jobs_as_application.py",
]


@pytest.mark.postgresql
def test_the_site_works_under_the_applications_role(
    postgresql_url: str, pytestconfig: pytest.Config, record_property: Callable[[str, str], None]
) -> None:
    command = [sys.executable, "-m", "pytest", *JOURNEYS, "-n", "0", "-p", "tests.as_application"]
    run = subprocess.run(
        [*command, "-m", "not postgresql and not browser and not slow", "-p", "no:cacheprovider", "-q"],
        cwd=pytestconfig.rootpath,
        env={name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
        | {"DATABASE_URL": postgresql_url},
        capture_output=True,
        text=True,
        timeout=60 * 60,
    )
    said = run.stdout.splitlines()
    record_property(SAID_AT_THE_END, said[-1] if said else run.stderr)
    assert run.returncode == 0, run.stdout[-20_000:] + run.stderr

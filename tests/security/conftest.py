"""One house for all tests of a module that only ask; what an ask writes is taken back by whoever asks."""

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import transaction
from django.test import override_settings

from tests.security.house import House


@pytest.fixture(scope="module")
def house(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[House]:
    folder = override_settings(RELEASES_DIR=tmp_path_factory.mktemp("releases"))
    with folder, django_db_blocker.unblock(), transaction.atomic():
        yield House()
        transaction.set_rollback(True)

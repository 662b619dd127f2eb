"""A plugin of pytest: only tests that ask the database. The others show the same on every engine.

So do those marked `any_engine`: what they ask is asked on each engine by other tests too.
"""

import pytest

DATABASE_FIXTURES = {"db", "transactional_db"}


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    asking = [item for item in items if _asks(item)]
    config.hook.pytest_deselected(items=[item for item in items if not _asks(item)])
    items[:] = asking


def _asks(item: pytest.Item) -> bool:
    if item.get_closest_marker("any_engine"):
        return False
    fixtures = set(getattr(item, "fixturenames", ()))
    return bool(fixtures & DATABASE_FIXTURES or item.get_closest_marker("django_db"))

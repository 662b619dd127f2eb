"""A plugin of pytest: only tests that ask the database. The others show the same on every engine.

So do those marked `any_engine`, and those of rooms that ask nothing of their own: what pages, the API,
briefings, figures, letters and commands ask is asked on each engine by other tests too.
That every page opens on each engine is shown by the tests of access, of views and of counts of queries. For
that it is enough to try those who between them open all; who is refused is so before any page is asked.
"""

import pytest

DATABASE_FIXTURES = {"db", "transactional_db"}
ASKING_NOTHING_OF_THEIR_OWN = {"api", "briefing", "charts", "management", "pages", "reminders"}
OF_ACCESS = "test_access.py"
OPENING_EVERY_PAGE = {OF_ACCESS, "test_views.py", "test_query_counts.py"}
# Of the cast: refused, or let in where the surgeon is.
OPENING_NONE_OF_THEIR_OWN = {"nobody", "stranger", "colleague", "clinician"}


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    asking = [item for item in items if _asks(item)]
    config.hook.pytest_deselected(items=[item for item in items if not _asks(item)])
    items[:] = asking


def _asks(item: pytest.Item) -> bool:
    rooms = set(item.path.parent.relative_to(item.config.rootpath).parts)
    if rooms & ASKING_NOTHING_OF_THEIR_OWN and item.path.name not in OPENING_EVERY_PAGE:
        return False
    if _is_tried_by_another(item) or item.get_closest_marker("any_engine"):
        return False
    fixtures = set(getattr(item, "fixturenames", ()))
    return bool(fixtures & DATABASE_FIXTURES or item.get_closest_marker("django_db"))


def _is_tried_by_another(item: pytest.Item) -> bool:
    values = item.callspec.params if isinstance(item, pytest.Function) and hasattr(item, "callspec") else {}
    return item.path.name == OF_ACCESS and values.get("who") in OPENING_NONE_OF_THEIR_OWN

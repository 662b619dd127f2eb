"""The list of methods: every estimator is in it, with the method and reference that its results carry."""

import importlib
import inspect
import pkgutil
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from outcomes import estimators
from outcomes.estimators.rates import proportion, rate
from outcomes.estimators.survival import kaplan_meier
from outcomes.methods import METHODS, Method, families
from tests.conftest import Cast

pytestmark = pytest.mark.any_engine


def results_with_a_method() -> Iterator[Callable[..., Any]]:
    """Every public function of the estimators whose result carries its method."""
    for module in pkgutil.walk_packages(estimators.__path__, f"{estimators.__name__}."):
        for name, function in inspect.getmembers(importlib.import_module(module.name), inspect.isfunction):
            if function.__module__ == module.name and not name.startswith("_") and _carries(function):
                yield function


def _carries(function: Callable[..., Any]) -> bool:
    """Whether the class that it says it returns has a method and a reference."""
    said = str(inspect.signature(function).return_annotation).removesuffix(" | None")
    found = getattr(inspect.getmodule(function), said, None)
    return {"method", "reference"} <= set(getattr(found, "__dataclass_fields__", {}))


LISTED = {each.__qualname__ for method in METHODS for each in method.estimators}


@pytest.mark.parametrize("function", [*results_with_a_method()], ids=lambda each: each.__name__)
def test_every_estimator_is_listed(function: Callable[..., Any]) -> None:
    # The two that put a fit's numbers into its result are parts of that fit.
    parts_of_a_fit = {"result"}
    assert function.__name__ in LISTED | parts_of_a_fit


def test_at_least_twenty_estimators_were_looked_for() -> None:
    assert len(list(results_with_a_method())) >= 20


@pytest.mark.parametrize("method", METHODS, ids=lambda each: each.name)
def test_a_method_says_all_of_itself(method: Method) -> None:
    assert method.answers.endswith(".")
    assert method.formula.endswith(".")
    assert method.method.endswith(".")
    assert any(year in method.reference for year in map(str, range(1900, 2027)))
    assert "{" not in method.method


def test_each_stands_once_under_its_question() -> None:
    told = [method for family in families() for method in family.methods]
    assert sorted(each.name for each in told) == sorted({each.name for each in METHODS})
    assert all(family.question.endswith(".") for family in families())


def test_results_carry_the_method_that_is_listed() -> None:
    by_name = {method.name: method for method in METHODS}
    curve = kaplan_meier([100, 200], [1, 0])
    assert by_name["Kaplan-Meier survival"].method.startswith(curve.method)
    assert by_name["Kaplan-Meier survival"].reference.startswith(curve.reference)
    assert by_name["Share of a whole"].method == proportion(3, 10).method
    assert by_name["Rate over person-time"].reference == rate(3, 10.0).reference


def test_the_page_shows_every_method_and_definition(cast: Cast) -> None:
    page = cast.client("clinician").get("/help/methods/").content.decode()
    for method in METHODS:
        assert method.name in page
    assert "Any failure" in page
    assert "KOOS" in page
    assert "Iyengar" in page

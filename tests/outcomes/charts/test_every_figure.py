"""Every figure of charts/: said in words, with its table, its cautions, colours by name, and drawn by plotly.

A module of charts/ with a figure that this table does not make fails the first test.
"""

import importlib
import inspect
import json
import pkgutil
import re
from collections.abc import Iterator
from functools import cache
from itertools import combinations
from pathlib import Path
from types import ModuleType
from typing import Any

import plotly.graph_objects as go
import pytest

from outcomes import briefing, charts
from outcomes.charts.figure import Figure
from tests.outcomes.charts.every_figure import CSV_URL, FIGURES, FROM_RECORD, OF_A_BRIEFING

STYLE = Path(__file__).parents[3] / "registry/static/registry/rimward.css"
COLOUR = re.compile(r"var:([a-z][a-z0-9-]*)(?:/(0|1|0?\.\d+))?")
# Any other way of writing a colour: it would not turn with light, dark and print.
FIXED_COLOUR = re.compile(r"#[0-9a-f]{3,8}\b|\b(?:rgb|hsl)a?\(", re.IGNORECASE)


# --- the figures ------------------------------------------------------------------------------


@pytest.fixture
def figures(request: pytest.FixtureRequest) -> list[Figure]:
    """The figures of one function, made once for all tests; only some of them ask for a record."""
    name = request.param
    if name not in _made:
        _made[name] = list(FIGURES[name](lambda: request.getfixturevalue("cast")))
    return _made[name]


_made: dict[str, list[Figure]] = {}
each_of_them = pytest.mark.parametrize(
    "figures",
    [pytest.param(name, marks=[pytest.mark.django_db] * (name in FROM_RECORD), id=name) for name in FIGURES],
    indirect=True,
)


# --- what holds of each -----------------------------------------------------------------------


def figure_functions() -> set[str]:
    """Every function that makes figures, by module and name: those of charts/, and the briefing's own."""
    return {
        f"{found.name}.{name}"
        for package in (charts, briefing)
        for found in pkgutil.iter_modules(package.__path__)
        for name, made_by in inspect.getmembers(_module(package, found.name), inspect.isfunction)
        if name.endswith(("_figure", "_figures"))
        and not name.startswith("_")
        and made_by.__module__ == f"{package.__name__}.{found.name}"
    }


def _module(package: ModuleType, name: str) -> ModuleType:
    return importlib.import_module(f"{package.__name__}.{name}")


def test_no_figure_is_left_out():
    assert figure_functions() == set(FIGURES)


@each_of_them
def test_it_says_in_words_what_is_seen_and_what_to_beware_of(figures):
    for figure in figures:
        facts = dict(figure.facts)
        assert re.fullmatch(r"[a-z0-9-]+", figure.name)
        assert len(figure.title.split()) > 3
        assert all(label.strip() and text.strip() for label, text in figure.facts)
        words = facts.get("In words", figure.title if is_of_one_knee(figure) else "")
        assert len(words) > 40, figure.name
        assert re.search(r"\d", words), f"{figure.name} tells no number: {words}"
        assert figure.cautions or only_describes(figure)
        assert all(re.search(r"[.?]$", caution) for caution in figure.cautions), figure.cautions


@each_of_them
def test_the_same_numbers_stand_in_a_table_and_a_file(figures):
    for figure in figures:
        table = figure.table
        assert table.caption
        assert table.rows
        assert {len(row) for row in table.rows} == {len(table.columns)}
        assert all(row[0] and all(isinstance(cell, str) for cell in row) for row in table.rows)
        assert re.search(r"\d", " ".join(cell for row in table.rows for cell in row[1:]))
        assert figure.csv_url == ("" if figure.name == OF_A_BRIEFING else CSV_URL)


@each_of_them
def test_colours_are_names_of_the_style_sheet(figures):
    names = set(palette())
    for figure in figures:
        used = {match[1] for text in texts(figure.plot) if (match := COLOUR.fullmatch(text))}
        assert used
        assert used <= names
        assert not [text for text in texts(figure.plot) if FIXED_COLOUR.search(text)]
        assert all(COLOUR.fullmatch(colour) for colour in colours(figure.plot))


@each_of_them
def test_colour_is_never_the_only_cue(figures):
    """Series of different colours differ in the dash of their lines or the symbol of their points as well."""
    for figure in figures:
        cues: dict[tuple[str, str], set[tuple[str, str]]] = {}
        for trace in figure.plot["data"]:
            line, marker = trace.get("line", {}), trace.get("marker", {})
            for colour in {line.get("color"), marker.get("color")}:
                if isinstance(colour, str) and "series" in colour and trace.get("mode", "") != "text":
                    cue = (
                        line.get("dash", "solid") if "lines" in trace["mode"] else "",
                        marker.get("symbol", ""),
                    )
                    panel = trace.get("xaxis", "x")
                    cues.setdefault((panel, colour.partition("/")[0]), set()).add(cue)
        for one, other in combinations(cues, 2):
            alike = one[0] == other[0] and cues[one] == cues[other]
            assert not alike, f"{figure.name}: {one} and {other} look alike without colour"


@each_of_them
def test_plotly_draws_it_wide_and_narrow(figures):
    for figure in figures:
        plot = json.loads(json.dumps(figure.plot, allow_nan=False))
        assert set(plot) <= {"data", "layout", "layout_narrow"}
        assert plot["data"]
        resolved = in_colours(plot)
        narrow = merged(resolved["layout"], resolved.get("layout_narrow", {}))
        for layout in (resolved["layout"], narrow):
            drawn = go.Figure(data=resolved["data"], layout=layout)
            assert len(drawn.data) == len(plot["data"])


@each_of_them
def test_its_texts_carry_no_mark_up_but_breaks(figures):
    for figure in figures:
        for text in texts(figure.plot):
            assert "<" not in re.sub(r"<br>|<extra></extra>", "", text), text
        for _, fact in figure.facts:
            assert "<br>" not in fact


def is_of_one_knee(figure: Figure) -> bool:
    """The title of a single scale says how the knee went: no other words are needed."""
    return figure.name.startswith("scores-")


def only_describes(figure: Figure) -> bool:
    """No outcome is estimated there, so there may be nothing to beware of: a knee's answers."""
    return is_of_one_knee(figure)


# --- as the page reads a plot -----------------------------------------------------------------


@cache
def palette() -> dict[str, str]:
    """Colours of the style sheet by name, those of light and paper."""
    light = STYLE.read_text().split("@media", 1)[0]
    return dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6});", light))


def texts(value: Any) -> Iterator[str]:
    """Every text in a plot, keys apart."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list | tuple):
        for part in value.values() if isinstance(value, dict) else value:
            yield from texts(part)


def colours(value: Any, key: str = "") -> Iterator[str]:
    """Every text that stands where plotly reads a colour."""
    if isinstance(value, str):
        if key.endswith("color") or key == "colorscale":
            yield value
    elif isinstance(value, dict):
        for name, part in value.items():
            yield from colours(part, name)
    elif isinstance(value, list | tuple):
        for part in value:
            yield from colours(part, key)


def in_colours(value: Any) -> Any:
    """A plot with its colours as plotly takes them, as figure.js gives them."""
    if isinstance(value, dict):
        return {key: in_colours(part) for key, part in value.items()}
    if isinstance(value, list):
        return [in_colours(part) for part in value]
    if isinstance(value, str) and (match := COLOUR.fullmatch(value)):
        red, green, blue = bytes.fromhex(palette()[match[1]].removeprefix("#"))
        return f"rgba({red}, {green}, {blue}, {match[2] or 1})"
    return value


def merged(base: Any, over: Any) -> Any:
    """What figure.js makes of the wide layout and its narrow changes."""
    if not isinstance(base, dict) or not isinstance(over, dict):
        return over
    return {**base, **{key: merged(base.get(key), part) for key, part in over.items()}}

"""The tear map: cells tile both menisci, sides mirror each other, and every mark is also said in words."""

import re
from itertools import combinations, pairwise
from math import dist

import pytest
from django.template.loader import render_to_string

from registry import vocabulary
from registry.tear_map import (
    GLYPHS,
    HEIGHT,
    MENISCI,
    RIM_WIDTHS,
    SIDES,
    STEPS,
    WIDTH,
    ZONES,
    Cell,
    Mark,
    Meniscus,
    Side,
    location_of,
    rows,
    tear_map,
    words,
)

Polygon = list[tuple[float, float]]
GRID = 6
ONE_OF_EACH_KIND = [
    Mark(number, "medial", 2 * number, 1, "radial", kind) for number, kind in enumerate(GLYPHS, start=1)
]
CROWDED = [Mark(number, "lateral", 12, 3, "root", "found") for number in range(1, 6)]


def numbers(path: str) -> list[float]:
    return [float(number) for number in re.findall(r"-?[\d.]+", path)]


def polygon(path: str) -> Polygon:
    """The corners of a closed path of lines and quadratic curves, each curve in eight pieces."""
    corners: Polygon = []
    for command, said in re.findall(r"([MLQ])([^MLQZ]+)", path):
        *control, x, y = numbers(said)
        if command == "Q":
            corners += [quadratic(corners[-1], tuple(control), (x, y), share / 8) for share in range(1, 8)]
        corners.append((x, y))
    return corners


def quadratic(
    start: tuple[float, ...], control: tuple[float, ...], end: tuple[float, ...], t: float
) -> tuple[float, float]:
    x, y = (
        (1 - t) ** 2 * a + 2 * t * (1 - t) * b + t**2 * c for a, b, c in zip(start, control, end, strict=True)
    )
    return x, y


def sides_of(corners: Polygon) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    return list(pairwise([*corners, corners[0]]))


def area(corners: Polygon) -> float:
    return abs(sum(ax * by - bx * ay for (ax, ay), (bx, by) in sides_of(corners))) / 2


def holds(corners: Polygon, x: float, y: float) -> bool:
    """Whether a ray from the point to the right leaves the polygon an odd number of times."""
    crossings = [
        ax + (y - ay) * (bx - ax) / (by - ay)
        for (ax, ay), (bx, by) in sides_of(corners)
        if (ay > y) != (by > y)
    ]
    return sum(crossing > x for crossing in crossings) % 2 == 1


def cells(side: Side = "right") -> list[Cell]:
    return [cell for row in rows(side) for cell in row.cells]


def line_of(meniscus: Meniscus, zone: int) -> list[Cell]:
    return [cell for cell in cells() if (cell.meniscus, cell.zone) == (meniscus, zone)]


# --- geometry ---------------------------------------------------------------------------------


def test_there_is_one_cell_for_each_step_and_zone_of_each_meniscus() -> None:
    places = {(cell.meniscus, cell.step, cell.zone) for cell in cells()}
    assert places == {(meniscus, step, zone) for meniscus in MENISCI for step in STEPS for zone in ZONES}
    assert len(cells()) == 72


def test_no_place_lies_in_two_cells_and_each_place_of_a_meniscus_lies_in_one() -> None:
    patches = [polygon(cell.path) for cell in cells()]
    outlines = [polygon(path) for path in tear_map("right").outlines]
    spots = [(x + 0.37, y + 0.23) for x in range(0, WIDTH, GRID) for y in range(0, HEIGHT, GRID)]
    in_cells = {spot: sum(holds(patch, *spot) for patch in patches) for spot in spots}
    assert in_cells == {spot: sum(holds(outline, *spot) for outline in outlines) for spot in spots}
    assert sorted(set(in_cells.values())) == [0, 1]


def test_the_cells_fill_the_menisci() -> None:
    whole = sum(area(polygon(path)) for path in tear_map("right").outlines)
    assert sum(area(polygon(cell.path)) for cell in cells()) == pytest.approx(whole, rel=1e-9)


@pytest.mark.parametrize("side", SIDES)
def test_everything_lies_within_the_drawing(side: Side) -> None:
    for cell in cells(side):
        assert all(0 < x < WIDTH and 0 < y < HEIGHT for x, y in [*polygon(cell.path), cell.pin])
        assert holds(polygon(cell.path), *cell.centre)


def test_a_left_knee_is_the_mirror_image_of_a_right_one() -> None:
    right, left = (tear_map(side, ONE_OF_EACH_KIND) for side in SIDES)
    shapes = [
        (right.bone, left.bone),
        (right.hiatus, left.hiatus),
        *zip(right.outlines, left.outlines, strict=True),
        *((a.path, b.path) for a, b in zip(cells("right"), cells("left"), strict=True)),
        *((mark.extent, other.extent) for mark, other in zip(right.marks, left.marks, strict=True)),
    ]
    for shape, other in shapes:
        xs, other_xs = numbers(shape)[::2], numbers(other)[::2]
        assert [round(WIDTH - x, 1) for x in xs] == other_xs
        assert numbers(shape)[1::2] == numbers(other)[1::2]


def test_medial_is_on_the_left_of_a_right_knee() -> None:
    for side, first in (("right", "medial"), ("left", "lateral")):
        leftmost = min(cells(side), key=lambda cell: cell.centre.x)
        assert leftmost.meniscus == first


@pytest.mark.parametrize("meniscus", MENISCI)
@pytest.mark.parametrize("zone", ZONES)
def test_steps_walk_from_the_front_to_the_back(meniscus: Meniscus, zone: int) -> None:
    centres = [cell.centre for cell in line_of(meniscus, zone)]
    assert centres[0].y < HEIGHT / 2 < centres[-1].y
    for step, centre in enumerate(centres[:-1]):
        nearest = min(centres[step + 1 :], key=lambda other: dist(centre, other))
        assert nearest == centres[step + 1]


@pytest.mark.parametrize("meniscus", MENISCI)
def test_zone_1_is_at_the_capsule_and_zone_3_at_the_free_edge(meniscus: Meniscus) -> None:
    middle = next(label.at for label in tear_map("right").labels if label.text.lower() == meniscus)
    for outer, centre, inner in zip(*(line_of(meniscus, zone) for zone in ZONES), strict=True):
        away = [dist(cell.centre, middle) for cell in (outer, centre, inner)]
        assert away == sorted(away, reverse=True)


def test_the_medial_meniscus_is_broadest_at_the_back() -> None:
    rim, free_edge = line_of("medial", 1), line_of("medial", 3)
    breadths = [dist(outer.centre, inner.centre) for outer, inner in zip(rim, free_edge, strict=True)]
    assert max(breadths[7:11]) == max(breadths)
    assert max(breadths[:4]) < min(breadths[6:10])


# --- words ------------------------------------------------------------------------------------


def test_each_step_has_its_third() -> None:
    thirds = ["root"] + ["anterior"] * 3 + ["middle"] * 4 + ["posterior"] * 3 + ["root"]
    assert [location_of(step) for step in STEPS] == thirds


@pytest.mark.parametrize("step", [0, 13, -1])
def test_there_is_no_other_step(step: int) -> None:
    with pytest.raises(ValueError, match=f"step is {step}; the tear map knows 1, 2"):
        location_of(step)


def test_a_place_in_words() -> None:
    assert words("medial", 9, 1) == "Medial meniscus, posterior third, step 9 of 12, rim zone 1, under 3 mm"
    assert (
        words("medial", 12, 3) == "Medial meniscus, posterior root, step 12 of 12, rim zone 3, 5 mm or more"
    )
    assert words("lateral", 1, None) == "Lateral meniscus, anterior root, step 1 of 12, rim zone not recorded"


def test_codes_and_words_are_those_of_the_record() -> None:
    assert set(MENISCI) == set(vocabulary.Meniscus.values)
    assert set(SIDES) == set(vocabulary.Side.values)
    assert {location_of(step) for step in STEPS} == set(vocabulary.RadialLocation.values)
    assert {zone.value: zone.label for zone in vocabulary.RimZone} == {
        zone: f"Zone {zone} ({width})" for zone, width in RIM_WIDTHS.items()
    }
    assert {healing.value: healing.label for healing in vocabulary.HealingClass} == {
        kind: glyph.words for kind, glyph in GLYPHS.items() if kind not in ("found", "removed")
    }


def test_the_description_says_every_mark() -> None:
    marks = [
        Mark(1, "medial", 9, 1, "bucket-handle", "healed"),
        Mark(2, "lateral", 6, None, "radial", "removed"),
    ]
    assert tear_map("left", marks).description == (
        "Both menisci from above, front at the top, medial on the right, lateral on the left. "
        "1, bucket-handle: Medial meniscus, posterior third, step 9 of 12, rim zone 1, under 3 mm; healed. "
        "2, radial: Lateral meniscus, middle third, step 6 of 12, rim zone not recorded; removed."
    )


def test_an_empty_map_says_so() -> None:
    assert tear_map("right").description.endswith("No tear is marked.")


@pytest.mark.parametrize(
    ("field", "value"), [("meniscus", "middle"), ("step", 13), ("zone", 0), ("kind", "lost")]
)
def test_a_mark_outside_the_map_is_refused(field: str, value: object) -> None:
    good = {"number": 1, "meniscus": "medial", "step": 9, "zone": 1, "label": "radial", "kind": "found"}
    with pytest.raises(ValueError, match=f"{field} is {value!r}; the tear map knows .* Give one of these"):
        Mark(**{**good, field: value})


def test_a_knee_has_a_side() -> None:
    with pytest.raises(ValueError, match="side is ''; the tear map knows right, left"):
        tear_map("")


# --- marks ------------------------------------------------------------------------------------


def test_a_mark_without_zone_lies_across_all_three() -> None:
    (across,) = tear_map("right", [Mark(1, "lateral", 6, None, "radial", "found")]).marks
    zones = [polygon(cell.path) for cell in cells() if (cell.meniscus, cell.step) == ("lateral", 6)]
    assert area(polygon(across.extent)) == pytest.approx(sum(map(area, zones)), rel=1e-9)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("marks", [CROWDED, ONE_OF_EACH_KIND, CROWDED + ONE_OF_EACH_KIND])
def test_numbers_stand_apart_within_the_drawing(side: Side, marks: list[Mark]) -> None:
    pins = [mark.pin for mark in tear_map(side, marks).marks]
    assert all(dist(a, b) > 34 for a, b in combinations(pins, 2))
    assert all(20 <= x <= WIDTH - 20 and 20 <= y <= HEIGHT - 20 for x, y in pins)


def test_kinds_differ_without_colour() -> None:
    """In shape, in an added stroke, or in the fill that the style sheet gives a healed one."""
    shapes = {kind: (glyph.outline, glyph.stroke, kind == "healed") for kind, glyph in GLYPHS.items()}
    assert len(set(shapes.values())) == len(GLYPHS)


def test_the_key_lists_the_kinds_shown() -> None:
    assert not tear_map("right").key
    assert [glyph.kind for glyph in tear_map("right", ONE_OF_EACH_KIND[:2]).key] == ["found", "healed"]


def test_the_drawing_is_an_image_that_says_what_it_shows() -> None:
    shown = tear_map("left", ONE_OF_EACH_KIND)
    text = render_to_string("registry/tear_map.html", {"map": shown, "name": "index"})
    assert re.search(r'role="img"\s+aria-labelledby="index-title index-desc"', text)
    assert '<title id="index-title">Tear map of the left knee</title>' in text
    assert f'<desc id="index-desc">{shown.description}</desc>' in text
    assert re.findall(r"<text>(\d+)</text>", text) == [str(mark.number) for mark in ONE_OF_EACH_KIND]


@pytest.mark.parametrize("template", ["registry/tear_map.html", "registry/tear_map_field.html"])
def test_the_drawing_needs_no_inline_style_or_script(template: str) -> None:
    text = render_to_string(template, {"map": tear_map("right", ONE_OF_EACH_KIND), "prefix": "tear-1"})
    assert not re.search(r"\sstyle=|<style|<script|\son\w+=", text)

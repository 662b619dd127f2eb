"""Step lines without the points that no drawing can show. Tables and files have every step."""

from collections.abc import Collection, Sequence

# A month, and what the line or the limits are from then on.
Point = tuple[float, ...]

# The largest drawing: three device pixels for each pixel of the page, as on a dense screen enlarged by half
# or printed at 288 dots an inch. The tallest plot area, 340 pixels on the page, is then 1,020 tall; as values
# are held at every month alike, its width does not matter.
DEVICE_PIXELS = 3
# Up to so many points nothing is gained.
FEW = 200
# A line without hover text is as good with so many decimals: a hundredth of a pixel.
DECIMALS = 5


def half_a_pixel(height_px: float, span: float) -> float:
    """Half a pixel of the largest drawing in units of an axis of `span` over `height_px` of the page."""
    return span / (2 * DEVICE_PIXELS * height_px)


def thinned(points: Sequence[Point], least: float, kept: Collection[float] = ()) -> list[Point]:
    """Leave out the points that differ from the one drawn before them by no more than `least`.

    Parameters
    ----------
    points : sequence of Point
        In the order of months; every value holds until the next point.
    least : float
        The most by which a drawn value may differ from the true one, anywhere, as of `half_a_pixel`.
    kept : collection of float
        Months of points that are drawn whatever they are, as the first and the last.

    Returns
    -------
    list of Point
        Some of the points, unchanged; all of FEW or fewer.
    """
    if len(points) <= FEW:
        return list(points)
    shown = [points[0]]
    for point in points[1:-1]:
        if point[0] in kept or _furthest(point, shown[-1]) > least:
            shown.append(point)
    return [*shown, points[-1]]


def _furthest(one: Point, other: Point) -> float:
    return max(abs(value - before) for value, before in zip(one[1:], other[1:], strict=True))


def rounded(shares: Sequence[float | None]) -> list[float | None]:
    """Shares that are seen and never read out."""
    return [None if share is None else round(share, DECIMALS) for share in shares]

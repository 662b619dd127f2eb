"""Second readers beside the operating surgeon: kappa by field, and the published one in another shape."""

from collections.abc import Iterator, Sequence
from typing import Any

from outcomes.certainty import FieldAgreement
from outcomes.certainty.reading import FIRST_READING
from outcomes.charts.agreement import APART, few_or, kappa_text, share_text, shifted, told_apart
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.whiskers import Whisker, line_down, whisker_trace
from outcomes.estimators.agreement import KAPPA_METHOD, KAPPA_REFERENCE
from outcomes.estimators.rates import PROPORTION_REFERENCE
from outcomes.published_agreement import PublishedAgreement

RIM_WIDTH_CAUTION = (
    "Rim width is the field on which surgeons agree least in print (kappa {kappa:.2f}, {readers} surgeons, "
    "{cases} videos, {citation}). Every figure split by zone carries that caution."
)
PRINT_CAUTION = (
    "In print, surgeons read the same videos; here one operated and probed, the other reads images. The two "
    "need not come to the same."
)
KAPPA_CAUTION = "Kappa falls where nearly all tears are of one class: read it with the agreement itself."
NOT_IN_PRINT = "none found in print"
COLUMNS = (
    "Field", "Tears read twice", "Agree", "Agreement (95 % interval)", "Kappa (95 % interval)",
    "Agreement in print", "Kappa in print", "Not recorded by the surgeon",
)  # fmt: skip


def readers_figure(readers: Sequence[FieldAgreement], csv_url: str = "") -> Figure:
    """Kappa of each field with its interval, the published one as a diamond."""
    tears = max(each.n for each in readers)
    return Figure(
        name="second-readers",
        title=f"Agreement of a second reader with the operating surgeon: {_kappas(readers)}",
        plot=_readers_plot(readers),
        facts=(
            ("In words", _readers_words(readers)),
            ("Tears", f"up to {tears:,} a field. {FIRST_READING}"),
            ("In print", _in_print(readers)),
            ("Too few", f"under {readers[0].fewest} tears a field shows its counts alone"),
            ("Method", f"{KAPPA_METHOD} {KAPPA_REFERENCE} {PROPORTION_REFERENCE}"),
        ),
        cautions=tuple(_readers_cautions(readers)),
        table=DataTable(
            "Operating surgeon against second reader, field by field.",
            COLUMNS,
            tuple(_readers_row(each) for each in readers),
        ),
        csv_url=csv_url,
    )


def _kappas(readers: Sequence[FieldAgreement]) -> str:
    known = [each.kappa.estimate for each in readers if each.is_shown and each.kappa]
    values = [value for value in known if value is not None]
    if not values:
        return "too few tears read twice"
    return f"kappa {min(values):.2f} to {max(values):.2f} by field"


def _readers_words(readers: Sequence[FieldAgreement]) -> str:
    told = [f"{each.label} {kappa_text(each.kappa)}" for each in readers if each.is_shown]
    if not told:
        return "Nothing is drawn: too few tears were read twice."
    return (
        f"A point with whiskers a field, from no agreement beyond chance (0) to full (1): {'; '.join(told)}."
    )


def _in_print(readers: Sequence[FieldAgreement]) -> str:
    printed = [(each.label, each.published) for each in readers if each.published]
    sources = {f"{known.citation}: {known.readers} surgeons, {known.cases} videos" for _, known in printed}
    differs = [f"{label}: {known.differs}" for label, known in printed if known.differs]
    missing = [each.label for each in readers if not each.published]
    said = (
        "; ".join(sorted(sources)),
        "Read in the abstract, without intervals",
        *differs,
        f"{', '.join(missing)}: {NOT_IN_PRINT}" if missing else "",
    )
    return ". ".join(part[:1].upper() + part[1:] for part in said if part)


def _readers_cautions(readers: Sequence[FieldAgreement]) -> Iterator[str]:
    rim = next((each.published for each in readers if each.field == "rim_zone"), None)
    if rim:
        yield RIM_WIDTH_CAUTION.format(
            kappa=rim.kappa, readers=rim.readers, cases=rim.cases, citation=rim.citation
        )
    yield PRINT_CAUTION
    yield KAPPA_CAUTION


def _readers_row(each: FieldAgreement) -> tuple[str, ...]:
    known, shown = each.kappa, each.is_shown
    print_cells = _print_cells(each.published)
    return (
        each.label.capitalize(),
        f"{each.n:,}",
        f"{known.agreement.x:,}" if known else "-",
        few_or(share_text(known.agreement), each.n, shown) if known else "-",
        few_or(kappa_text(known), each.n, shown),
        *print_cells,
        f"{each.unrecorded:,}",
    )


def _print_cells(published: PublishedAgreement | None) -> tuple[str, str]:
    if published is None:
        return "-", "-"
    return f"{100 * published.agreement:.0f} %", f"{published.kappa:.2f}"


def _readers_plot(readers: Sequence[FieldAgreement]) -> dict[str, Any]:
    points = [
        Whisker(row, found.estimate, found.lower, found.upper, f"{each.label}: kappa {kappa_text(found)}")
        for row, each in enumerate(readers)
        if each.is_shown and (found := each.kappa) and found.estimate is not None
    ]
    if not points:
        return {}
    printed = [
        Whisker(row, known.kappa, None, None, f"{each.label} in print: kappa {known.kappa:.2f}")
        for row, each in enumerate(readers)
        if (known := each.published)
    ]
    here = whisker_trace(points, colour="var:series-1", symbol="circle")
    beside = whisker_trace(printed, colour="var:ink", symbol="diamond-open")
    del beside["error_x"]  # none was read
    low = min([0.0, *(point.lower or 0.0 for point in points)])
    return told_apart(
        [
            {**shifted(here, -APART), "name": "Here, 95 % interval"},
            {**shifted(beside, APART), "name": "In print"},
        ],
        [(each.label.capitalize(), each.n) for each in readers],
        {"title": {"text": "Kappa (0: no more than chance)"}, "range": [round(low - 0.05, 2), 1.05]},
        [line_down(0.0)],
    )

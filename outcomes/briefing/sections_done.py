"""Sections on what was done: activity, indications, ramp lesions, complications."""

from __future__ import annotations

from outcomes import wording
from outcomes.briefing import complications
from outcomes.briefing.activity import Split
from outcomes.briefing.gather import Contents
from outcomes.briefing.section import Section
from outcomes.briefing.shares_figure import Row, shares_figure, shares_table
from outcomes.charts.figure import DataTable, Figure
from outcomes.own.ramp import RULE as RAMP_RULE
from outcomes.own.ramp import ramp_in_print
from outcomes.strata import INDICATIONS
from registry.vocabulary import ComplicationKind, Severity


def activity_section(contents: Contents) -> Section:
    """Operations, repairs and whom they were done for."""
    found, brief = contents.activity, contents.brief
    of = f"{wording.counted(found.knees, 'knee')} of {wording.counted(found.patients, 'patient')}"
    late = f"{found.entered_late:,} entered later from old notes"
    return Section(
        "activity",
        "Activity and case mix",
        facts=(
            ("Operations with a repair", f"{found.operations:,}, on {of}"),
            ("Repairs", f"{found.repairs:,}: {found.primary:,} primary, {found.revision:,} revision; {late}"),
            ("Period", f"{brief.period_said[:1].upper()}{brief.period_said[1:]}"),
        ),
        figures=(_by_year(contents),),
        tables=tuple(_mix_table(split, brief.fewest) for split in contents.mix),
    )


def _by_year(contents: Contents) -> Figure:
    years = contents.activity.by_year
    title = f"Repairs by year of operation: {sum(n for _, n in years):,} up to the end of the period"
    return Figure(
        name="repairs-by-year",
        title=title,
        plot=_bars(years) if years else {},
        facts=(
            ("In words", "; ".join(f"{year}: {n:,}" for year, n in years) + "."),
            (
                "Counted",
                "primary and revision repairs of the unit; the first and last year may be part years",
            ),
        ),
        cautions=(),
        table=DataTable(f"{title}.", ("Year", "Repairs"), tuple((str(year), f"{n:,}") for year, n in years)),
    )


def _bars(years: tuple[tuple[int, int], ...]) -> dict[str, object]:
    return {
        "data": [
            {
                "type": "bar",
                "x": [year for year, _ in years],
                "y": [n for _, n in years],
                "marker": {"color": "var:series-1"},
                "hovertemplate": "%{x}: %{y}<extra></extra>",
            }
        ],
        "layout": {
            "showlegend": False,
            "height": 280,
            "margin": {"l": 56, "r": 16, "t": 12, "b": 52},
            "bargap": 0.4,
            "xaxis": {"title": {"text": "Year of operation"}, "dtick": 1, "showgrid": False},
            "yaxis": {"title": {"text": "Repairs"}, "rangemode": "tozero"},
        },
        "layout_narrow": {"xaxis": {"dtick": 2}, "font": {"size": 11}},
    }


def _mix_table(split: Split, fewest: int) -> DataTable:
    title = split.stratum.title
    rows = [(level.label, level.share) for level in split.levels]
    return shares_table(f"Primary repairs of the period by {title}.", title.capitalize(), rows, fewest)


def indications_section(contents: Contents) -> Section:
    """How many met the six prerequisites."""
    rows: list[Row] = [(level.label, level.share) for level in contents.indications.levels]
    figure = shares_figure(
        "indications",
        f"Primary repairs of the period by {INDICATIONS.title}",
        "By the six prerequisites",
        rows,
        contents.brief.fewest,
        facts=(("Counted", INDICATIONS.note),),
        cautions=(INDICATIONS.caution,),
    )
    return Section("indications", "Indications", figures=(figure,))


def ramp_section(contents: Contents) -> Section:
    """Looked for, and found."""
    found = contents.ramp
    rows: list[Row] = [
        ("Looked at from behind", found.looked),
        ("Ramp lesion found, of those looked at", found.found),
        ("Ramp lesion found, of the others", found.found_without),
    ]
    in_print = tuple(
        (
            "In print",
            f"{figure.what}: {_printed(figure.share, figure.lower, figure.upper)}; {figure.population}. "
            f"{figure.citation}.",
        )
        for figure in ramp_in_print()
    )
    figure = shares_figure(
        "ramp",
        "Ramp lesions in ACL-torn knees of the period: looked for, and found",
        "Operations on ACL-torn knees",
        rows,
        contents.brief.fewest,
        facts=(
            ("Probed from behind", f"{found.probed:,}"),
            ("No word of a look", f"{found.not_recorded:,}"),
            ("Counted", RAMP_RULE),
            *in_print,
        ),
        cautions=(
            "Who is not looked for is not found: a low share found may mean few looks, not few lesions.",
        ),
    )
    return Section("ramp", "Ramp lesions", figures=(figure,))


def _printed(share: float | None, lower: float | None, upper: float | None) -> str:
    if lower is not None and upper is not None:
        return f"{100 * lower:g} to {100 * upper:g} %"
    return wording.percent(share)


def complications_section(contents: Contents) -> Section:
    """Shares of operations, kinds and grades."""
    found = contents.complications
    figure = shares_figure(
        "complications",
        "Operations of the period with a complication",
        "Operations",
        [("With any complication", found.any), ("With a severe complication", found.severe)],
        contents.brief.fewest,
        facts=(("Counted", complications.RULE),),
    )
    kinds = tuple((str(ComplicationKind(code).label), f"{n:,}") for code, n in found.kinds)
    grades = tuple((str(Severity(code).label), f"{n:,}") for code, n in found.grades)
    return Section(
        "complications",
        "Complications",
        figures=(figure,),
        tables=(
            DataTable("Complications by kind.", ("Kind", "Complications"), kinds),
            DataTable("Complications by Clavien-Dindo grade.", ("Grade", "Complications"), grades),
        ),
    )

"""Sections on what became of it: survival, looks, scores, surgeons, follow-up, changes, cases."""

from __future__ import annotations

from dataclasses import replace

from django.utils import timezone
from django.utils.formats import date_format

from outcomes import wording
from outcomes.briefing import cases, looks
from outcomes.briefing.changes import told_since_last
from outcomes.briefing.gather import ALL, Contents
from outcomes.briefing.mixing import left_out
from outcomes.briefing.section import Section
from outcomes.briefing.shares_figure import share_said, shares_figure
from outcomes.charts.beside_look import look_figure
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.funnel import funnel_figure
from outcomes.charts.lost import lost_figure
from outcomes.charts.score_course import course_figures
from outcomes.charts.survival import landmark_table, survival_figure
from outcomes.response import EARLY, WHO_ANSWERS, Response
from outcomes.results import SurvivalResult
from outcomes.strata import MAIN_STRATA
from registry.vocabulary import LookReason, TimePoint


def survival_section(contents: Contents) -> Section:
    """All repairs as one curve, and split in the ways that show no surgeon alone."""
    split = [result for result in contents.survival if result.stratum_code in MAIN_STRATA]
    figures = [_overall(contents.survival[0]), *(survival_figure(result) for result in split)]
    missing = left_out([result.stratum_code for result in split])
    return Section(
        "survival",
        "Survival of the repairs",
        words=(missing,) if missing else (),
        figures=tuple(figures),
    )


def _overall(result: SurvivalResult) -> Figure:
    """All repairs as one curve, without the tests and cautions of a split."""
    alone = replace(
        result,
        title=f"{result.definition_name}: repairs still standing, all primary repairs",
        stratum_code="all",
        stratum_title="repairs",
        groups=(result.overall,),
        comparison=None,
        pairs=(),
        trend=None,
        clustered_test=None,
        methods=(result.methods[0], result.methods[-1]),
        references=(result.references[0], result.references[-1]),
        notes=(),
        cautions=(),
    )
    figure = survival_figure(alone)
    table = landmark_table(replace(alone, groups=()))
    facts = tuple(fact for fact in figure.facts if fact[0] != "Comparison")
    return replace(figure, table=table, facts=facts)


def looks_section(contents: Contents) -> Section:
    """What second looks found, and whether the clinic had told it before."""
    found = contents.looks
    reasons = ", ".join(f"{LookReason(code).label.lower()} {n:,}" for code, n in found.reasons)
    figure = shares_figure(
        "looks",
        "What second looks found of the repaired tears",
        "At the look",
        [(looks.CLASSES[code], share) for code, share in found.classes],
        contents.brief.fewest,
        facts=(
            ("Looked at", f"{found.looked_at:,} of {wording.counted(found.repairs, 'primary repair')}"),
            ("Why looked at", f"{reasons or 'none was'}"),
            ("Counted", looks.RULE),
        ),
        cautions=found.cautions,
    )
    return Section(
        "looks",
        "Second looks, and the clinic before them",
        figures=(figure, look_figure(contents.clinic, "Clinical healing")),
    )


def scores_section(contents: Contents) -> Section:
    """Level, change and shares over published thresholds."""
    return Section(
        "scores", "Scores, MCID and PASS", figures=tuple(course_figures(contents.course, {}))
    )  # fmt: skip


def funnel_section(contents: Contents) -> Section:
    """Each surgeon between the limits of chance."""
    return Section("funnel", "Surgeon by surgeon", figures=(funnel_figure(contents.funnel),))


def follow_up_section(contents: Contents) -> Section:
    """Bounds of what the lost could change, and the reviews answered."""
    fewest = contents.brief.fewest
    found = {code: each for code, each in contents.response.items() if code != ALL}
    rows = [
        *(_response_row(str(each.label), found[each], fewest) for each in TimePoint if each in found),
        _response_row("All", contents.response[ALL], fewest),
    ]
    columns = ("Review", "Settled", "Answered", "Given up", "Share answered (95 % interval)")
    table = DataTable("Planned reviews that are settled, and the share answered.", columns, tuple(rows))
    return Section(
        "follow-up",
        "How complete the follow-up is, and what the lost could change",
        cautions=(EARLY, WHO_ANSWERS),
        figures=(lost_figure(contents.lost),),
        tables=(table,),
    )


def _response_row(label: str, found: Response, fewest: int) -> tuple[str, ...]:
    return (
        label,
        f"{found.asked:,}",
        f"{found.answered:,}",
        f"{found.given_up:,}",
        share_said(found.rate, fewest),
    )


def since_last_section(contents: Contents, compared: dict[str, object] | None) -> Section:
    """The watched numbers then and now."""
    title = "What changed since the last briefing"
    previous = contents.previous
    if previous is None or compared is None:
        return Section("since-last", title, words=("There is no earlier briefing by this definition.",))
    rows = tuple((each.name, each.was, each.now) for each in told_since_last(compared))
    made_on = date_format(timezone.localtime(previous.made_at), "j F Y")
    covered = replace(contents.brief, since=previous.since, until=previous.until).period_said
    return Section(
        "since-last",
        title,
        words=(
            f"The last briefing by this definition was made on {made_on} and covered {covered}. A difference "
            "may be chance, longer follow-up, another period or a corrected record; none is tested.",
        ),
        tables=(DataTable("Then and now.", ("What", "Then", "Now"), rows),),
    )


def cases_section(contents: Contents) -> Section:
    """Codes, months and reasons."""
    found = contents.cases
    rows = tuple((case.code, case.month, case.reason) for case in found.listed)
    listed = f"; the latest {len(rows)} are listed" if len(rows) < found.total else ""
    return Section(
        "cases",
        "Cases for discussion",
        words=(f"{wording.counted(found.total, 'case')}{listed}. {cases.RULE}",),
        tables=(DataTable("Cases, latest first.", ("Code", "Month", "Reason"), rows),) if rows else (),
    )

"""Clinic and imaging beside the second look: sensitivity and specificity drawn, all else in the table."""

from collections.abc import Callable, Mapping
from typing import Any

from outcomes import wording
from outcomes.certainty import HealingAgreement, LookedAt
from outcomes.charts.agreement import APART, few_or, kappa_text, share_text, shifted, told_apart
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.whiskers import Whisker, whisker_trace
from outcomes.estimators.agreement import DIAGNOSTIC_METHOD, KAPPA_METHOD, KAPPA_REFERENCE
from outcomes.estimators.rates import PROPORTION_REFERENCE, Proportion

SHARES: Mapping[str, Callable[[HealingAgreement], Proportion]] = {
    "Sensitivity": lambda found: found.diagnostic.sensitivity,
    "Specificity": lambda found: found.diagnostic.specificity,
    "Positive predictive value": lambda found: found.diagnostic.positive_predictive_value,
    "Negative predictive value": lambda found: found.diagnostic.negative_predictive_value,
}
READ_AS = (
    "sensitivity: of tears healed at the look, the share found healed before; specificity: of those not "
    "healed, the share found not healed. Predictive values hold only where as many are healed as here"
)
# Drawn are the two that do not hang on how many are healed: name, colour, symbol, shift in rows.
DRAWN = (
    ("Sensitivity", "var:series-1", "circle", -APART),
    ("Specificity", "var:series-2", "square", APART),
)


def look_figure(found: LookedAt, what: str, csv_url: str = "") -> Figure:
    """Sensitivity and specificity of each finding, with predictive values and kappa in the table."""
    first = found.findings[0]
    return Figure(
        name=f"look-{found.code}",
        title=f"{what} against the second look: {_headed(first)}",
        plot=_look_plot(found),
        facts=(
            ("In words", _look_words(found)),
            ("Tears", _tears(found)),
            ("Paired", found.rule),
            ("Read as", READ_AS),
            ("Too few", f"a share of under {first.fewest} tears is told by its counts alone"),
            ("Method", f"{DIAGNOSTIC_METHOD} {PROPORTION_REFERENCE} {KAPPA_METHOD} {KAPPA_REFERENCE}"),
        ),
        cautions=found.cautions,
        table=DataTable(
            f"{what} against the second look: tears by their own denominators, with 95 % intervals.",
            ("Finding", "Tears with both", *SHARES, "Kappa"),
            tuple(_look_row(each) for each in found.findings),
        ),
        csv_url=csv_url,
    )


def _headed(first: HealingAgreement) -> str:
    told = [
        f"{name.lower()} {share_text(share(first))}"
        for name, share in list(SHARES.items())[:2]
        if _is_shown(share(first), first)
    ]
    return ", ".join(told) if told else "too few tears with both"


def _look_words(found: LookedAt) -> str:
    told = [f"{each.label}: {_headed(each)}" for each in found.findings]
    return f"A circle (sensitivity) and a square (specificity) with whiskers a finding. {'; '.join(told)}."


def _tears(found: LookedAt) -> str:
    return (
        f"{found.tears:,} with both, in {wording.counted(found.knees, 'knee')}; {found.looked_at:,} looked "
        f"at of {wording.counted(found.repairs, 'repair')}"
    )


def _look_row(each: HealingAgreement) -> tuple[str, ...]:
    shares = (share(each) for share in SHARES.values())
    cells = [
        few_or(share_text(share), share.n, _is_shown(share, each), f"{share.x} of {share.n}: ")
        for share in shares
    ]
    return (each.label, f"{each.n:,}", *cells, few_or(kappa_text(each.kappa), each.n, each.n >= each.fewest))


def _is_shown(share: Proportion, each: HealingAgreement) -> bool:
    return share.n >= each.fewest and not share.counts_only


def _look_plot(found: LookedAt) -> dict[str, Any]:
    traces = [_look_trace(found, *drawn) for drawn in DRAWN]
    if not any(trace["x"] for trace in traces):
        return {}
    labels = [(each.label, each.n) for each in found.findings]
    return told_apart(
        traces, labels, {"title": {"text": "Share"}, "range": [-0.02, 1.02], "tickformat": ".0%"}
    )


def _look_trace(found: LookedAt, name: str, colour: str, symbol: str, shift: float) -> dict[str, Any]:
    read = [(row, each, SHARES[name](each)) for row, each in enumerate(found.findings)]
    points = [
        Whisker(row, share.estimate, share.lower, share.upper, f"{each.label}: {share_text(share)}")
        for row, each, share in read
        if share.estimate is not None and _is_shown(share, each)
    ]
    trace = whisker_trace(points, colour=colour, symbol=symbol)
    return {**shifted(trace, shift), "name": name}

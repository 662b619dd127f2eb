"""Everything that a briefing tells, section by section, as result objects."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from outcomes.analyses.context import Context
from outcomes.analyses.lost import LostResult, lost_result
from outcomes.briefing import sentences
from outcomes.briefing.activity import MIX, Activity, Split, activity_of, splits
from outcomes.briefing.asked import AskedWronglyError, Brief
from outcomes.briefing.cases import Cases, cases_of
from outcomes.briefing.changes import reference_of
from outcomes.briefing.complications import Complications, complications_in
from outcomes.briefing.looks import Looks, looks_of
from outcomes.briefing.mixing import splits_for_all
from outcomes.briefing.ramp import ramp_in
from outcomes.cache import data_version
from outcomes.certainty import LookedAt, clinic_and_look
from outcomes.models import Briefing
from outcomes.own import FunnelResult, funnel_of
from outcomes.own.ramp import Ramp
from outcomes.response import NONE, Period, Response, responses, settled
from outcomes.results import SurvivalResult
from outcomes.score_course import ScoreCourse, score_course
from outcomes.strata import INDICATIONS, Stratum
from outcomes.survival import count_cohort, survival_results
from registry.access import surgeons_of
from registry.models import User
from registry.scoring import INSTRUMENTS

INSTRUMENT, SCALE = "koos", "pain"
ALL = "all"

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Contents:
    """The results of every section. `previous` is the unit's last briefing before today by the definition."""

    brief: Brief
    record_version: int
    headline: tuple[str, str, str]
    activity: Activity
    mix: tuple[Split, ...]
    indications: Split
    survival: tuple[SurvivalResult, ...]
    looks: Looks
    clinic: LookedAt
    ramp: Ramp
    course: ScoreCourse
    complications: Complications
    funnel: FunnelResult
    lost: LostResult
    response: dict[str, Response]
    cases: Cases
    previous: Briefing | None


def gather(brief: Brief, by: User, previous: Briefing | None, say: Say = lambda section: None) -> Contents:
    """Work out every section; `say` is told the name of each before it begins.

    Raises
    ------
    AskedWronglyError
        When no primary repair can be counted.
    """
    version = data_version()
    operated = brief.repairs(brief.operated)
    say("activity and case mix")
    activity, mix = activity_of(brief), splits(operated, MIX)
    say("indications")
    (indications,) = splits(operated, (INDICATIONS,))
    say("survival")
    strata = tuple(splits_for_all(brief))
    survival = _survival(brief, strata)
    say("follow-up completeness and the lost")
    lost, response = _lost(brief, strata), _response(brief, by)
    say("second looks and the clinic before them")
    looks, clinic = looks_of(brief), clinic_and_look(brief.units)
    say("ramp lesions and complications")
    ramp, complications = ramp_in(brief), complications_in(brief)
    say("scores")
    course = _course(brief)
    say("funnel")
    funnel = _funnel(brief)
    say("cases and headline")
    return Contents(
        brief=brief,
        record_version=version,
        headline=_headline(survival, lost, previous),
        activity=activity,
        mix=mix,
        indications=indications,
        survival=survival,
        looks=looks,
        clinic=clinic,
        ramp=ramp,
        course=course,
        complications=complications,
        funnel=funnel,
        lost=lost,
        response=response,
        cases=cases_of(brief),
        previous=previous,
    )


def _survival(brief: Brief, strata: tuple[Stratum, ...]) -> tuple[SurvivalResult, ...]:
    results = survival_results(brief.followed, brief.units, brief.definition, brief.closed_on, strata)
    if not results:
        raise AskedWronglyError(
            f"until: no primary repair of {brief.unit} operated up to {brief.until or brief.closed_on} "
            "can be counted; give a later day."
        )
    return tuple(results)


def _lost(brief: Brief, strata: tuple[Stratum, ...]) -> LostResult:
    """Of the same counts as survival, so that the database counts once."""
    counted = count_cohort(brief.followed, brief.units, brief.definition, strata, brief.closed_on)
    sentence = brief.followed.sentence(brief.units)
    return lost_result(counted, Context.of(sentence, brief.definition, brief.closed_on, counted))


def _response(brief: Brief, by: User) -> dict[str, Response]:
    """By time point, and ALL together, of operations up to the end of the period."""
    counts = settled(brief.units, Period(None, brief.until), by, brief.closed_on)
    together = responses(counts, lambda each: ALL).get(ALL, NONE)
    return {**responses(counts, lambda each: each.time_point), ALL: together}


def _course(brief: Brief) -> ScoreCourse:
    instrument = INSTRUMENTS[INSTRUMENT]
    scale = next(scale for scale in instrument.scales if scale.code == SCALE)
    return score_course(brief.followed, brief.units, instrument, scale, brief.closed_on)


def _funnel(brief: Brief) -> FunnelResult:
    """Points carry codes only where the unit agreed to show single surgeons to its audit lead."""
    coded = surgeons_of(brief.units) if brief.unit.lead_sees_surgeon_results else None
    return funnel_of(brief.units, brief.definition, brief.closed_on, until=brief.until, coded_for=coded)


def _headline(
    survival: tuple[SurvivalResult, ...], lost: LostResult, previous: Briefing | None
) -> tuple[str, str, str]:
    overall = survival[0].overall
    point = sentences.headline_point(overall)
    same_day = point is not None and lost.bounds is not None and lost.bounds.at == point.day
    return sentences.headline(
        overall,
        survival,
        reference=reference_of(previous, point.day) if previous and point else None,
        bounds=lost.bounds if same_day else None,
    )

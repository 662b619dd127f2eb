"""One of every figure of charts/, from a small cohort made up by rule, or from a record where it reads one.

A new function that makes a figure gets its line in FIGURES; until then test_every_figure.py fails.
"""

from collections.abc import Callable, Iterable, Iterator
from datetime import date, timedelta
from functools import cache

from outcomes.analyses import adjusted, competing, in_print, looks, lost, means, places
from outcomes.analyses.context import Context
from outcomes.briefing.shares_figure import shares_figure
from outcomes.certainty import FieldAgreement, HealingAgreement, LookedAt
from outcomes.charts.beside_look import look_figure
from outcomes.charts.certainty import certainty_figures
from outcomes.charts.compared import compared_figure
from outcomes.charts.figure import Figure
from outcomes.charts.forest import forest_figure
from outcomes.charts.in_print import in_print_figure
from outcomes.charts.incidence import incidence_figure
from outcomes.charts.looks import looks_figure
from outcomes.charts.lost import lost_figure
from outcomes.charts.means import means_figure
from outcomes.charts.own import own_figures
from outcomes.charts.places import places_figure
from outcomes.charts.score_answers import Intervention, Mark, ScoreAnswer, ScoreCurve
from outcomes.charts.score_course import course_figures
from outcomes.charts.score_curve import score_figure
from outcomes.charts.second_readers import readers_figure
from outcomes.charts.survival import survival_figure
from outcomes.charts.whose import YOURS
from outcomes.compared import compared
from outcomes.counts import count_table
from outcomes.estimators.agreement import diagnostic, kappa
from outcomes.estimators.rates import proportion
from outcomes.failure import ANY, REOPERATION
from outcomes.published_agreement import published_agreement
from outcomes.strata import STRATA
from outcomes.survival import Counted, group_of, results_of
from registry.models import Repair
from registry.scoring import INSTRUMENTS, ScaleScore
from tests import factories
from tests.conftest import Cast
from tests.outcomes.charts.generated import CLOSED_ON, COHORT, context, counted
from tests.outcomes.charts.one_surgeon import own_results
from tests.outcomes.oracle import CLOSED_ON as ORACLE_CLOSED_ON
from tests.outcomes.oracle import put_into_record
from tests.outcomes.pages.test_own_definitions import KNEES
from tests.outcomes.test_score_course import course, knees, pain

CSV_URL = "/figure.csv?zone=RW&failure=any"
# The name of the one that stands in a file without a site: its numbers go along in that file.
OF_A_BRIEFING = "of-a-briefing"
# Gives the cast with its record, to the few that read one.
Record = Callable[[], Cast]
Make = Callable[[Record], Iterable[Figure]]


def of_survival(_: Record) -> Iterator[Figure]:
    """By a stratum of few levels, by one of so many that each gets a panel, and turned round to failure."""
    cohort = counted()
    zone, pattern = results_of(cohort, COHORT, ANY, CLOSED_ON, [STRATA["zone"], STRATA["pattern"]])
    yield survival_figure(zone, CSV_URL)
    yield survival_figure(pattern, CSV_URL)
    yield survival_figure(zone, CSV_URL, as_failure=True)


def of_incidence(_: Record) -> Iterator[Figure]:
    """Of each cause, and of failure by a stratum."""
    cohort = counted()
    for stratum in (None, STRATA["zone"]):
        yield incidence_figure(competing.competing_result(cohort, context(cohort), stratum), CSV_URL)


def of_means(_: Record) -> Iterator[Figure]:
    cohort = counted()
    yield means_figure(means.means_result(cohort, STRATA["ligament"], context(cohort)), CSV_URL)


def of_loss(_: Record) -> Iterator[Figure]:
    cohort = counted()
    yield lost_figure(lost.lost_result(cohort, context(cohort)), CSV_URL)


def of_looks(record: Record) -> Iterator[Figure]:
    cast = record()
    for knee in KNEES:
        put_into_record(knee, cast.other_unit, cast.oak)
    repairs = Repair.objects.filter(tear__procedure__unit=cast.other_unit)
    of = Counted(count_table(repairs, ANY, [], ORACLE_CLOSED_ON), 0, 0, 0)
    yield looks_figure(looks.looks_result(repairs, Context.of(COHORT, ANY, ORACLE_CLOSED_ON, of)), CSV_URL)


def of_hazards(_: Record) -> Iterator[Figure]:
    cohort = counted()
    model = adjusted.adjusted_result(cohort, ["zone", "acuity", "age"], context(cohort))
    yield forest_figure(model, CSV_URL)


def of_a_course(record: Record) -> Iterator[Figure]:
    knees(record(), [(pain(18), pain(lost)) for lost in (0, 3, 6, 9, 12, 20)])
    names = ("score-course", "score-change", "score-pass")
    yield from course_figures(course(with_lines=True), dict.fromkeys(names, CSV_URL))


def of_places(record: Record) -> Iterator[Figure]:
    cast = record()
    operation = factories.an_operation(cast.unit, cast.oak)
    placed = [factories.a_repair(operation, map_step=3, rim_zone=zone) for zone in (1, 1, 1, 1, 1, 1, 2, 2)]
    for repair in placed[:2]:
        factories.a_failure(repair, 400)
    factories.a_contact(placed[-1], 800)
    repairs = Repair.objects.filter(tear__procedure=operation)
    of = Counted(count_table(repairs, REOPERATION, [], CLOSED_ON), 0, 0, 0)
    said = Context.of(COHORT, REOPERATION, CLOSED_ON, of)
    yield places_figure(places.places_result(repairs, REOPERATION, said), CSV_URL)


def of_print(_: Record) -> Iterator[Figure]:
    cohort = counted()
    yield in_print_figure(in_print.in_print_result(cohort, context(cohort)), CSV_URL)


def of_two_cohorts(_: Record) -> Iterator[Figure]:
    tables = [counted(n).table for n in (300, 200)]
    both = [(group_of(name, name, table), table) for name, table in zip("AB", tables, strict=True)]
    found = compared(*both, in_both=0, patients_in_both=0, same_definition=True)
    yield compared_figure(found, [context(counted(n)) for n in (300, 200)], CSV_URL)


@cache
def my_results() -> list[Figure]:
    """All figures of My results, each drawn and none told in a sentence instead."""
    figures = list(own_figures(own_results(), YOURS, lambda part: CSV_URL))
    assert all(isinstance(figure, Figure) for figure in figures), figures
    return figures


def of_my_results(name: str) -> Make:
    """The one of My results that has this name."""
    return lambda _: [figure for figure in my_results() if figure.name == name]


def second_readings() -> list[FieldAgreement]:
    agree = kappa([[20, 4], [6, 15]], ["red-red", "red-white"])
    return [
        FieldAgreement(field, label, agree, 2, 5, published_agreement().get(field))
        for field, label in (("rim_zone", "rim zone"), ("pattern", "pattern"))
    ]


def beside_looks(code: str) -> LookedAt:
    found = diagnostic(true_positive=30, false_positive=6, false_negative=4, true_negative=12)
    agreement = HealingAgreement("signs", "All three signs absent", found, kappa([[30, 6], [4, 12]]), 5)
    return LookedAt(
        code, (agreement,), 52, 50, 60, 300, "The last visit before the look.", ("Few were looked at.",)
    )


def of_certainty(_: Record) -> Iterator[Figure]:
    urls = dict.fromkeys(("readers", "clinic", "imaging"), CSV_URL)
    yield from certainty_figures(second_readings(), beside_looks("clinic"), beside_looks("imaging"), urls)


def of_second_readers(_: Record) -> Iterator[Figure]:
    yield readers_figure(second_readings(), CSV_URL)


def of_looks_beside_clinic(_: Record) -> Iterator[Figure]:
    yield look_figure(beside_looks("clinic"), "Clinical healing", CSV_URL)


def of_a_briefing(_: Record) -> Iterator[Figure]:
    shares = [("Looked at from behind", proportion(30, 40)), ("Portal used", proportion(12, 40))]
    title = "Ramp lesions looked for: 40 operations"
    yield shares_figure(OF_A_BRIEFING, title, "What", shares, 5, cautions=("Few were looked for.",))


def of_a_knees_scores(_: Record) -> Iterator[Figure]:
    operated_on = date(2024, 3, 1)
    marks = [Mark(operated_on, Intervention.OPERATION)]
    for code in ("lysholm", "koos"):
        instrument = INSTRUMENTS[code]
        answers = [
            ScoreAnswer(
                operated_on + timedelta(days=day),
                {scale.code: ScaleScore(scale, value, len(instrument.items)) for scale in instrument.scales},
                len(instrument.items),
                instrument.version,
                "No",
            )
            for day, value in ((-10, 52.0), (183, 71.0), (365, 88.0))
        ]
        yield score_figure(ScoreCurve(instrument, answers, marks), CSV_URL)


FIGURES: dict[str, Make] = {
    "beside_look.look_figure": of_looks_beside_clinic,
    "certainty.certainty_figures": of_certainty,
    "compared.compared_figure": of_two_cohorts,
    "forest.forest_figure": of_hazards,
    "funnel.funnel_figure": of_my_results("own-funnel"),
    "in_print.in_print_figure": of_print,
    "incidence.incidence_figure": of_incidence,
    "learning.learning_figure": of_my_results("own-learning"),
    "looks.looks_figure": of_looks,
    "lost.lost_figure": of_loss,
    "means.means_figure": of_means,
    "monitor.excess_figure": of_my_results("own-excess"),
    "monitor.monitor_figure": of_my_results("own-monitor"),
    "own.own_figures": lambda _: my_results(),
    "own_curve.own_curve_figure": of_my_results("own-survival"),
    "own_mix.expected_figure": of_my_results("own-expected"),
    "own_mix.indications_figure": of_my_results("own-indications"),
    "own_mix.mix_figure": of_my_results("own-case-mix"),
    "own_ramp.ramp_figure": of_my_results("own-ramp"),
    "places.places_figure": of_places,
    "score_course.course_figures": of_a_course,
    "score_curve.score_figure": of_a_knees_scores,
    "second_readers.readers_figure": of_second_readers,
    "shares_figure.shares_figure": of_a_briefing,
    "survival.survival_figure": of_survival,
}
# Those that read a record.
FROM_RECORD = {"looks.looks_figure", "places.places_figure", "score_course.course_figures"}

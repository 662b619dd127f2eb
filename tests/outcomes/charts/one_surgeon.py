"""The results of one of three surgeons, made up by rule as the cohort they share."""

from datetime import date

from outcomes.estimators.rates import proportion
from outcomes.own.case_mix import case_mix, indications
from outcomes.own.expected import expectation
from outcomes.own.funnel import funnel_from
from outcomes.own.learning import learning
from outcomes.own.monitor import monitor as monitor_of
from outcomes.own.ramp import Ramp
from outcomes.own.results import Adjusted, Judged, OwnResults
from outcomes.own.two_years import two_years
from outcomes.survival import group_of
from tests.outcomes.charts.generated import rows


def own_results() -> OwnResults:
    """Those of the first of three surgeons."""
    everyone = rows()
    own, others = everyone.of_surgeon(1), everyone.of_others(1)
    model, results = expectation(others, own), two_years(own)
    ramp = Ramp(proportion(30, 40), 12, 3, proportion(8, 30), proportion(1, 10))
    return OwnResults(
        context=own.context(),
        unit_context=everyone.context(),
        surgeons=3,
        judged=Judged(
            own=group_of("own", "Own", own.table),
            unit=group_of("unit", "All surgeons", everyone.table),
            funnel=funnel_from(everyone, two_years(everyone), {}, 1),
            adjusted=Adjusted(model.observed(own.table), model, ""),
            monitor=monitor_of(own, results, model),
            learning=learning(results, date(2021, 3, 1), model),
        ),
        case_mix=case_mix(own, everyone),
        indications=indications(own, everyone),
        ramp=(ramp, ramp),
        failures=(),
    )

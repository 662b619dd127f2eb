"""The whole way from the record to the curve equals R: published data entered as repairs through the models.

Expected values: R 4.2.2, survival 3.5-3, survfit(conf.type = "log-log") and survdiff; see the README.md of
fixtures/reference.
"""

import pytest

from outcomes.cohort import Cohort
from outcomes.failure import REOPERATION
from outcomes.survival import survival_results
from registry.models import Unit
from tests import factories

pytestmark = pytest.mark.django_db

# Each data set's group column is played by a stratum of the record with enough levels.
ZONES = [{"vascular_zone": "RR"}, {"vascular_zone": "RW"}]
DELAYS = [21, 60]  # acute, subacute
LIGAMENTS = [{}, {"acl": "treated_here"}, {"acl": "staged"}, {"staging": "ligament_first"}]


def enter(times, failed, operation_fields, tear_fields):
    """One patient a subject: operated on, then failed or last reached by phone after so many days."""
    unit = factories.a_unit("northmere")
    surgeon = factories.a_surgeon(unit, "oak")
    for days, event, operation, tear in zip(times, failed, operation_fields, tear_fields, strict=True):
        repair = factories.a_repair(
            factories.an_operation(unit, surgeon, operated_on=factories.date(2015, 1, 1), **operation), **tear
        )
        (factories.a_failure if event else factories.a_contact)(repair, days)


def by_stratum(code):
    results = survival_results(Cohort(), Unit.objects.all(), REOPERATION)
    return next(result for result in results if result.stratum_code == code)


def check(result, expected_curves, expected_test, same):
    for group, expected in zip((*result.groups, result.overall), expected_curves, strict=True):
        curve = group.curve
        found = {
            "n": curve.n,
            "events": curve.events,
            "median": {name: getattr(curve.median, name) for name in ("estimate", "lower", "upper")},
            "follow_up": {name: getattr(group.follow_up, name) for name in ("estimate", "lower", "upper")},
        }
        columns = ("time", "at_risk", "events_at", "censored_at", "survival", "std_error", "lower", "upper")
        found |= {name: getattr(curve, name) for name in columns}
        assert found == same({name: expected[name] for name in found})
    test = result.comparison
    assert {"statistic": test.statistic, "df": test.df, "p": test.p} == same(
        {name: expected_test[name] for name in ("statistic", "df", "p")}
    )


def test_aml_as_zones(reference, same):
    aml = reference("aml")
    groups = sorted(set(aml.data["x"]))
    tears = [ZONES[groups.index(group)] for group in aml.data["x"]]
    enter(aml.data["time"], aml.data["status"], [{}] * len(tears), tears)
    expected = [*(aml.curve(f"x={group}") for group in groups), aml.curve("overall")]
    check(by_stratum("zone"), expected, aml.expected["log_rank"]["x"], same)


def test_veteran_cell_types_as_ligament_surgery(reference, same):
    veteran = reference("veteran")
    groups = sorted(set(veteran.data["celltype"]))
    operations = [LIGAMENTS[groups.index(group)] for group in veteran.data["celltype"]]
    enter(veteran.data["time"], veteran.data["status"], operations, [{}] * len(operations))
    expected = [*(veteran.curve(f"celltype={group}") for group in groups), veteran.curve("overall")]
    check(by_stratum("ligament"), expected, veteran.expected["log_rank"]["celltype"], same)


def test_6mp_as_acuity_and_its_published_table(reference, same):
    """S at 6, 7, 10, 13, 16, 22, 23 weeks as tabulated in Kleinbaum & Klein and in Cox & Oakes."""
    trial = reference("freireich_6mp")
    groups = sorted(set(trial.data["group"]))
    start = factories.date(2015, 1, 1)
    operations = [
        {"injured_on": start - factories.timedelta(days=DELAYS[groups.index(group)])}
        for group in trial.data["group"]
    ]
    enter(trial.data["time"], trial.data["status"], operations, [{}] * len(operations))
    result = by_stratum("acuity")
    expected = [*(trial.curve(f"group={group}") for group in groups), trial.curve("overall")]
    check(result, expected, trial.expected["log_rank"]["group"], same)
    drug = result.groups[groups.index("6-MP")].curve
    published = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}
    assert {week: round(drug.at(week).survival, 3) for week in published} == published

"""Releases of counts on a record: gate, permission, what is in the package, pooled files, commands, page."""

import csv
import io
import json
import zipfile
from datetime import timedelta
from hashlib import sha256

import numpy as np
import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.management import CommandError, call_command
from django.urls import reverse
from django.utils import timezone

from outcomes.cohort import Cohort
from outcomes.estimators.survival import kaplan_meier
from outcomes.failure import REOPERATION
from outcomes.models import LedgerEntry, LedgerKind
from outcomes.naming import name_cohort
from outcomes.release import ledger, store
from outcomes.release.asked import LEAST_K
from outcomes.release.counts import asking, making
from outcomes.release.counts.pooled import PooledCounts
from outcomes.release.counts.suppression import HIDDEN, with_margins
from outcomes.release.counts.tables import OUTCOMES, Which, two_way
from outcomes.release.refusals import ReleaseRefusedError
from outcomes.survival import survival_results
from registry.models import Unit
from tests import factories
from tests.outcomes.release.counts.test_suppression import recovered

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

STATED = {
    "project": "Zones",
    "purpose": "Failure by zone of the tear",
    "approval": "REC-2026-014",
    "recipient": "Institute of invented studies",
    "steward": "Data office, steward@example.org",
}
# Failed and standing by zone; the whole of the last is small.
MADE = {"RR": (6, 9), "RW": (5, 2), "WW": (1, 2)}


@pytest.fixture
def house(cast, settings, tmp_path):
    """Northmere with 25 permitted repairs of two surgeons, three refused ones, and a named cohort."""
    settings.RELEASES_DIR = tmp_path / "releases"
    elm = factories.a_surgeon(cast.unit, "elm")
    surgeons = [cast.oak, elm]
    number = 0
    for zone, (failed, standing) in MADE.items():
        for place in range(failed + standing):
            number += 1
            permitted(cast, surgeons[number % 2], zone, number, failed=place < failed)
    for place in range(3):
        refused = permitted(cast, surgeons[place % 2], "RR", 50 + place, failed=False)
        factories.corrected(refused.tear.procedure.knee.patient, research_permission="refused")
    name_cohort(cast.coordinator, "Everybody", {"which": "all"})
    return cast


def permitted(cast, surgeon, zone, number, *, failed):
    operated_on = factories.OPERATED_ON - timedelta(days=20 * number)
    knee = factories.a_knee(cast.unit, research_permission="given", research_permission_on=operated_on)
    operation = factories.an_operation(cast.unit, surgeon, knee, operated_on=operated_on)
    repair = factories.a_repair(operation, vascular_zone=zone)
    (factories.a_failure if failed else factories.a_contact)(repair, 100 + 7 * number)
    return repair


def asked(house, **changes):
    return asking.asked_for(house.coordinator, "Everybody", None, "reoperation", {**STATED, **changes})


def prepared(house, rows="zone", columns="outcome", **changes):
    return making.prepare_counts(asked(house, **changes), rows, columns, house.coordinator)


def members(entry):
    with zipfile.ZipFile(store.package_of(entry)) as package:
        return {name: package.read(name).decode() for name in package.namelist()}


def test_permitted_repairs_alone_are_counted_and_people_behind_them(house):
    knee = house.unit.patients.filter(research_permission="given").earliest("pk").knees.get()
    again = factories.an_operation(house.unit, house.oak, knee, operated_on=factories.OPERATED_ON)
    factories.a_repair(again, vascular_zone="RR")
    units = Unit.objects.filter(pk=house.unit.pk)
    which = Which(Cohort(which="all"), units, REOPERATION, timezone.localdate(), house.coordinator)
    counted = two_way(which, "zone", "outcome")
    assert list(counted.columns.levels) == list(OUTCOMES) == ["failed", "competing", "censored"]
    # 26 repairs of 25 patients: the second repair of one stands.
    assert counted.table.tolist() == [[6, 0, 10], [5, 0, 2], [1, 0, 2], [0, 0, 0]]
    assert counted.people[:, -1].tolist() == [15, 7, 3, 0, 25]
    assert counted.people[-1, :-1].tolist() in ([12, 0, 14], [12, 0, 13])


def test_what_leaves_hides_small_counts_so_that_none_is_recovered(house):
    made = prepared(house)
    entry = making.release_counts(made, house.coordinator)
    files = members(entry)
    assert list(files) == ["counts.csv", "counts.json", "report.html", "method.md", "manifest.json"]
    matrix = json.loads(files["counts.json"])["n"]
    shown = np.array([[HIDDEN if n is None else n for n in row] for row in matrix])
    truth = with_margins([[6, 0, 9], [5, 0, 2], [1, 0, 2], [0, 0, 0]])
    assert recovered(shown) == []
    assert (shown[(truth > 0) & (truth < 5)] == HIDDEN).all()
    assert (shown[shown != HIDDEN] == truth[shown != HIDDEN]).all()
    for row in csv.DictReader(io.StringIO(files["counts.csv"])):
        assert (row["n"] == "") == (row["hidden"] == "1")
        assert row["percent_of_row"] == "" or (row["n"] and row["hidden"] == "0")
    assert "hidden" in files["report.html"]
    assert "Northmere" not in "".join(files.values())


def test_the_ledger_tells_of_it_and_proves_its_package(house):
    made = prepared(house)
    entry = making.release_counts(made, house.coordinator)
    files, said = members(entry), entry.said
    manifest = json.loads(files.pop("manifest.json"))
    assert manifest["sha256"] == {name: sha256(text.encode()).hexdigest() for name, text in files.items()}
    assert entry.kind == LedgerKind.COUNTS
    assert said["rows"] == {"in_cohort": 29, "permitted": 25, "released": 25}
    assert (said["asked"]["rows"], said["asked"]["columns"], said["limit"]) == ("zone", "outcome", 5)
    assert said["by"] == "coordinator"
    assert ledger.verify().holds
    again = making.release_counts(made, house.coordinator)
    assert again.said["sha256"] == said["sha256"]


def test_two_splits_tell_no_outcome(house):
    frozen = prepared(house, "zone", "age").frozen
    assert (frozen.definition_name, frozen.definition_cautions) == ("Not told", ())
    assert frozen.columns.code == "age"


@pytest.mark.parametrize("name", STATED)
def test_what_is_not_stated_is_asked_for(house, name):
    with pytest.raises(ValidationError, match=f"stated {name}"):
        prepared(house, **{name: " "})


def test_who_may_not_release_and_what_is_not_named_are_refused(house):
    name_cohort(house.surgeon, "Mine", {"which": "all"})
    with pytest.raises(PermissionDenied):
        asking.asked_for(house.surgeon, "Mine", None, "reoperation", STATED)
    with pytest.raises(ValidationError, match="No cohort 'Nobody'"):
        asking.asked_for(house.coordinator, "Nobody", None, "reoperation", STATED)
    with pytest.raises(ValidationError, match="no version 7"):
        asking.asked_for(house.coordinator, "Everybody", 7, "reoperation", STATED)
    with pytest.raises(ValidationError, match="'colour' is no way to split"):
        prepared(house, rows="colour")
    with pytest.raises(ValidationError, match="splits the rows already"):
        prepared(house, columns="zone")
    assert not LedgerEntry.objects.exists()


def test_the_limit_is_the_units_and_never_below_the_least(house):
    factories.corrected(house.unit, smallest_count_shown=1)
    assert prepared(house).frozen.limit == LEAST_K
    factories.corrected(house.unit, smallest_count_shown=8)
    shown = prepared(house).frozen.suppressed.shown
    assert not ((shown > 0) & (shown < 8)).any()
    factories.corrected(house.unit, smallest_count_shown=30)
    with pytest.raises(ReleaseRefusedError, match="The table holds 25, fewer than the limit of 30"):
        prepared(house)


def test_a_split_never_shows_one_surgeon_alone(cast, settings, tmp_path):
    """One surgeon with results that the coordinator may not see by name: no split at all."""
    for number, zone in enumerate(["RR", "RW"] * 6):
        permitted(cast, cast.oak, zone, number, failed=False)
    name_cohort(cast.coordinator, "Everybody", {"which": "all"})
    with pytest.raises(ValidationError, match="would be one surgeon's"):
        prepared(cast)


def test_counts_to_be_pooled_give_the_curve_of_the_permitted_repairs(house):
    made = making.prepare_pooled(asked(house), "zone", 1, house.coordinator)
    entry = making.release_pooled(made, house.coordinator)
    read = PooledCounts.read(members(entry)["pooled-counts.json"])
    assert read == made.counts
    # Zone WW has three repairs: left out, and not even counted, being fewer than five.
    assert (read.left_out.levels, read.left_out.repairs) == (("WW",), None)
    assert read.n == 22
    table = read.table()
    assert table.groupby(["level", "event"])["n"].sum().to_dict() == {
        ("RR", "censored"): 9,
        ("RR", "failed"): 6,
        ("RW", "censored"): 2,
        ("RW", "failed"): 5,
    }
    # Everybody in zone RW permits, so the registry's own curve is of the same repairs.
    own = survival_results(Cohort(zone="RW"), Unit.objects.filter(pk=house.unit.pk), REOPERATION)[0].overall
    mine = table[table["level"] == "RW"]
    curve = kaplan_meier(mine["day"], mine["event"] == "failed", mine["n"])
    assert (curve.time, curve.survival) == (own.curve.time, own.curve.survival)
    assert entry.kind == LedgerKind.POOLED
    assert ledger.verify().holds
    with pytest.raises(ValidationError, match="A band of 0 days is outside 1 to 91"):
        making.prepare_pooled(asked(house), "zone", 0, house.coordinator)


def told(name, *words, **options):
    out = io.StringIO()
    call_command(name, *words, stdout=out, **options)
    return out.getvalue()


def stated():
    return [word for name, words in STATED.items() for word in (f"--{name}", words)]


def test_commands_release_and_pool(house, tmp_path):
    usual = ["--by", "coordinator", "--cohort", "Everybody", *stated(), "--out"]
    path = tmp_path / "counts.zip"
    looked = told("counts", "table", *usual, str(path), "--rows", "zone", "--preview")
    assert "hidden" in looked
    assert not path.exists()
    assert not LedgerEntry.objects.exists()
    assert "25 repairs" in told("counts", "table", *usual, str(path), "--rows", "zone")
    assert path.read_bytes() == store.package_of(LedgerEntry.objects.get()).read_bytes()
    one, other = tmp_path / "A.json", tmp_path / "B.json"
    words = told("counts", "pooled", *usual, str(one), "--split", "zone", "--band-days", "30")
    assert "22 repairs; left out as too small: WW" in words
    said = json.loads(one.read_text())
    said["rows"] = [[level, entry, day + 1, event, n] for level, entry, day, event, n in said["rows"]]
    other.write_text(json.dumps(said))
    pooled = " ".join(told("pool", str(one), str(other)).split())
    assert "44 repairs of 2 hospitals: A.json 22, B.json 22." in pooled
    assert "log-rank" in pooled
    assert json.loads(told("pool", str(one), str(other), "--json"))["overall"]["curve"]["n"] == 44
    for files, wrong in (
        ([one], "two or more"),
        ([one, one], "given twice"),
        ([one, path], "cannot be read"),
    ):
        with pytest.raises(CommandError, match=wrong):
            told("pool", *map(str, files))
    with pytest.raises(CommandError, match="no user named 'nobody'"):
        told("counts", "table", "--by", "nobody", *usual[2:], str(path), "--rows", "zone")
    with pytest.raises(CommandError, match="cohort: No cohort 'Nobody'"):
        told("counts", "table", *usual[:3], "Nobody", *usual[4:], str(path), "--rows", "zone")


def test_the_page_shows_the_table_then_releases_the_one_that_was_seen(house):
    client, url = house.client("coordinator"), reverse("counts_release")
    page = client.get(url)
    assert page.status_code == 200
    cohort = page.context["form"].fields["cohort"].choices[0][0]
    said = {"cohort": cohort, "rows": "zone", "columns": "outcome", "failure": "reoperation", **STATED}
    looked = client.post(url, {**said, "look": "yes"})
    text = " ".join(looked.content.decode().split())
    assert looked.status_code == 200
    assert "As it would leave" in text
    assert "25 repairs of patients who allow research; 4 of the cohort are left out" in text
    assert "Northmere" not in looked.context["frozen"].cohort_sentence
    assert not LedgerEntry.objects.exists()
    seen = looked.context["digest"]
    other = client.post(url, {**said, "rows": "age", "seen": seen, "release": "yes"})
    assert other.status_code == 422
    assert "not the one you looked at" in other.content.decode()
    done = client.post(url, {**said, "seen": seen, "release": "yes"})
    entry = LedgerEntry.objects.get()
    assert done.url == reverse("release", args=[entry.uuid])
    assert client.get(done.url).status_code == 200


def test_the_page_says_what_is_wrong_and_is_for_coordinators_alone(house):
    client, url = house.client("coordinator"), reverse("counts_release")
    cohort = client.get(url).context["form"].fields["cohort"].choices[0][0]
    said = {"cohort": cohort, "rows": "zone", "columns": "zone", "failure": "reoperation", **STATED}
    twice = client.post(url, said)
    assert twice.status_code == 422
    assert "splits the rows already" in twice.content.decode()
    empty = client.post(url, {**said, "columns": "outcome", "purpose": ""})
    assert "purpose" in empty.context["form"].errors
    for who in ("surgeon", "clinician", "audit_lead", "stranger"):
        assert house.client(who).get(url).status_code == 403

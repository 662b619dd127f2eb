"""Who may open what: each role, each page, own and other unit, own and other surgeon. Each cell is a test.

Northmere has the surgeons oak (who signs in), elm and ash; southmere yew (who signs in: the stranger), fir
and box. All the others of the table are of northmere.
"""

import gzip
import re
import zipfile
from collections.abc import Iterator
from datetime import date
from typing import Any
from uuid import UUID

import pytest
from django.db import transaction
from django.test import Client, override_settings

from outcomes.isolation import RULE
from outcomes.models import Briefing, LedgerKind, NamedCohort, OwnDefinition, ReleaseJob
from outcomes.naming import name_cohort
from outcomes.pages.views import VIEWS
from outcomes.release import ledger, store
from registry.models import IndexProcedure, Surgeon, Unit, User
from tests import factories
from tests.outcomes.release.asking import asked as asked_of

# Every page of the table is opened on each engine by tests of its own.
pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

# What an address answers. The lead of a unit that agreed to show results of single surgeons is answered as
# any lead ("=") where these do not matter; "-" is not asked here, because it starts a browser to print.
TABLE = """
                                       nobody  surgeon  clinician  lead  agreed  coordinator  administrator  stranger
/                                         302      200        200   200       =          200            200       200
/repairs/                                 302      200        200   200       =          403            403       200
/repairs/?unit=northmere                  302      200        200   200       =          403            403       400
/repairs/?unit=southmere                  302      400        400   400       =          403            403       200
/repairs/?surgeon=oak                     302      200        400   400     200          403            403       400
/repairs/?surgeon=elm                     302      400        400   400     200          403            403       400
/repairs/?surgeon=yew                     302      400        400   400     400          403            403       200
/due/                                     302      200        200   200       =          403            403       200
/due/?unit=southmere                      302      400        400   400       =          403            403       200
/due/drifting/                            302      200        200   200       =          403            403       200
/operations/new/                          302      200        403   403       =          403            403       200
/knees/{north}/                           302      200        200   200       =          404            404       404
/knees/{south}/                           302      404        404   404     404          404            404       200
/knees/{north}/standing/                  302      200        200   200       =          404            404       404
/knees/{south}/scores/                    302      404        404   404       =          404            404       200
/survival/                                302      200        200   200       =          200            403       200
/survival/?unit=northmere                 302      200        200   200       =          200            403       400
/survival/?unit=southmere                 302      400        400   400     400          400            403       200
/survival/zone.csv                        302      200        200   200       =          200            403       200
/survival/zone.csv?unit=southmere         302      400        400   400       =          400            403       200
/survival/competing/                      302      200        200   200       =          200            403       200
/survival/looks/                          302      200        200   200       =          200            403       200
/survival/means/                          302      200        200   200       =          200            403       200
/survival/adjusted/                       302      200        200   200       =          200            403       200
/survival/lost/                           302      200        200   200       =          200            403       200
/survival/in-print/                       302      200        200   200       =          200            403       200
/survival/places/                         302      200        200   200       =          200            403       200
/survival/places/?unit=southmere          302      400        400   400       =          400            403       200
/survival/means/figure.csv                302      200        200   200       =          200            403       200
/survival/lost/figure.csv?unit=southmere  302      400        400   400       =          400            403       200
/survival/compare/                        302      200        200   200       =          200            403       200
/survival/compare/?b_unit=southmere       302      400        400   400       =          400            403       200
/survival/repairs/                        302      200        200   200       =          403            403       200
/survival/repairs/?unit=southmere         302      400        400   400       =          403            403       200
/scores/                                  302      200        200   200       =          200            403       200
/scores/?unit=southmere                   302      400        400   400       =          400            403       200
/response/                                302      200        200   200       =          403            403       200
/response/?unit=southmere                 302      400        400   400       =          403            403       200
/completeness/                            302      200        200   200       =          403            403       200
/completeness/?unit=southmere             302      400        400   400       =          403            403       200
/my-results/                              302      200        403   200     200          403            403       200
/my-results/?surgeon=oak                  302      200        403   404     200          403            403       404
/my-results/?surgeon=elm                  302      404        403   404     200          403            403       404
/my-results/?surgeon=yew                  302      404        403   404     404          403            403       200
/my-results/?unit=southmere               302      400        403   200     200          403            403       200
/my-results/failures.csv?surgeon=elm      302      404        403   404     200          403            403       404
/my-results/failures.csv?surgeon=yew      302      404        403   404     404          403            403       200
/briefings/                               302      403        403   200       =          403            403       403
/briefings/{north}/                       302      403        403   200       =          403            403       403
/briefings/{north}/file.html              302      403        403   200       =          403            403       403
/briefings/{north}/file.pdf               302      403        403     -       =          403            403       403
/briefings/{north}/changes/               302      403        403   200       =          403            403       403
/briefings/{south}/                       302      403        403   404     404          403            403       403
/briefings/{south}/file.html              302      403        403   404       =          403            403       403
/briefings/{south}/file.pdf               302      403        403   404       =          403            403       403
/briefings/{south}/changes/               302      403        403   404       =          403            403       403
/how-sure/                                302      200        200   200       =          200            403       200
/how-sure/?unit=southmere                 302      400        400   400       =          400            403       200
/cohorts/                                 302      200        200   200       =          200            403       200
/cohorts/new/                             302      200        200   200       =          200            403       200
/cohorts/{north}/                         302      200        200   200       =          200            403       404
/cohorts/{north}/definition.json          302      200        200   200       =          200            403       404
/cohorts/{south}/                         302      404        404   404       =          404            403       200
/cohorts/{south}/definition.json          302      404        404   404       =          404            403       200
/definitions/                             302      200        200   200       =          200            403       200
/releases/                                302      403        403   403       =          200            403       403
/releases/new/                            302      403        403   403       =          200            403       403
/releases/counts/                         302      403        403   403       =          200            403       403
/releases/withdrawn/                      302      403        403   403       =          200            403       403
/releases/making/{north}/                 302      403        403   403       =          200            403       403
/releases/making/{south}/                 302      403        403   403       =          404            403       403
/releases/{north}/                        302      403        403   403       =          200            403       403
/releases/{north}/package.zip             302      403        403   403       =          200            403       403
/releases/{north}/report.html             302      403        403   403       =          200            403       403
/releases/{south}/                        302      403        403   403       =          404            403       403
/releases/{south}/package.zip             302      403        403   403       =          404            403       403
/releases/{south}/report.html             302      403        403   403       =          404            403       403
/lots/                                    302      200        403   200       =          403            403       200
/readings/                                302      200        403   403       =          403            403       200
/units/                                   302      403        403   403       =          403            302       403
/units/northmere/                         302      403        403   403       =          403            200       404
/units/southmere/                         302      404        404   404       =          404            404       403
/units/northmere/settings/                302      403        403   403       =          403            200       404
"""  # noqa: E501
ROLES, *ROWS = (line.split() for line in TABLE.strip().splitlines())
CELLS = [
    pytest.param(who, address, int(status), id=f"{who} {address}")
    for address, *statuses in ROWS
    for who, status in zip(ROLES, statuses, strict=True)
    if status not in ("-", "=")
]
SIGN_IN = 302
ELM_FAILED_ON_DAY = 777


class House:
    """Two units, everybody in them, some repairs of each surgeon, and a briefing of each unit."""

    def __init__(self) -> None:
        self.north, self.south = factories.a_unit("northmere"), factories.a_unit("southmere")
        roles = ("surgeon", "clinician", "audit_lead", "coordinator", "administrator")
        north = {role: factories.a_person(f"{role}-north", (role, self.north)) for role in roles}
        self.people = north | {
            "lead": north["audit_lead"],
            "agreed": north["audit_lead"],
            "stranger": factories.a_person("surgeon-south", ("surgeon", self.south)),
        }
        self.oak = self._surgeon(self.north, "oak", self.people["surgeon"])
        self.elm, self.ash = self._surgeon(self.north, "elm"), self._surgeon(self.north, "ash")
        self._of_elm_alone()
        self.yew = self._surgeon(self.south, "yew", self.people["stranger"])
        self.fir, self.box = self._surgeon(self.south, "fir"), self._surgeon(self.south, "box")
        self.clients = {who: factories.signed_in(person) for who, person in self.people.items()} | {
            "nobody": Client()
        }
        chair = self.people["audit_lead"]
        self.briefings = {unit.code: a_briefing(unit, chair).uuid for unit in (self.north, self.south)}
        self._cohorts_and_releases()
        operations = IndexProcedure.objects.select_related("unit", "knee")
        self.knees = {operation.unit.code: operation.knee.uuid for operation in operations}

    def _cohorts_and_releases(self) -> None:
        """A cohort of either unit, northmere's shared there; a release of either, packed and in hand."""
        shared = name_cohort(self.people["surgeon"], "Medial", {"meniscus": "medial"}, self.north)
        own = name_cohort(self.people["stranger"], "Medial", {"meniscus": "medial"})
        self.cohorts = {"northmere": shared.uuid, "southmere": own.uuid}
        by, units = self.people["coordinator"], (self.north, self.south)
        self.releases = {unit.code: a_release(unit, by) for unit in units}
        asked = {unit.code: asked_of(unit).as_json() for unit in units}
        jobs = {code: ReleaseJob.objects.create(asked_by=by, asked=each) for code, each in asked.items()}
        self.jobs = {code: job.uuid for code, job in jobs.items()}

    def _surgeon(self, unit: Unit, code: str, user: User | None = None) -> Surgeon:
        """A surgeon with a repair of either meniscus; the second failed after a year."""
        surgeon = factories.a_surgeon(unit, code, user)
        procedure = factories.an_operation(unit, surgeon)
        factories.a_contact(factories.a_repair(procedure), 700)
        factories.a_failure(factories.a_repair(procedure, meniscus="lateral"), 365)
        return surgeon

    def _of_elm_alone(self) -> None:
        """Radial tears of one year, all repaired by elm; one repair failed on a day of its own."""
        for month in range(1, 7):
            procedure = factories.an_operation(self.north, self.elm, operated_on=date(2021, month, 1))
            repair = factories.a_repair(procedure, pattern="radial")
            if month == 1:
                factories.a_failure(repair, ELM_FAILED_ON_DAY)
            else:
                factories.a_contact(repair, 1000 + month)

    def address(self, path: str) -> str:
        """A path of the table with the keys of northmere or southmere filled in."""
        kinds = {
            "/briefings/": self.briefings,
            "/cohorts/": self.cohorts,
            "/releases/making/": self.jobs,
            "/releases/": self.releases,
        }
        keys = next((kept for prefix, kept in kinds.items() if path.startswith(prefix)), self.knees)
        return path.format(north=keys["northmere"], south=keys["southmere"])

    def get(self, who: str, path: str) -> Any:
        """What one of the table is answered; northmere agrees just before the agreed lead asks."""
        if who == "agreed":
            factories.corrected(Unit.objects.get(pk=self.north.pk), lead_sees_surgeon_results=True)
        return self.clients[who].get(self.address(path))


def a_briefing(unit: Unit, by: User) -> Briefing:
    """An archived briefing, of which only whose it is matters here."""
    return Briefing.objects.create(
        unit=unit,
        made_by=by,
        definition="reoperation",
        closed_on=date(2026, 1, 1),
        numbers={"asked": {"record_version": 0}},
        html_gzipped=gzip.compress(b"<!doctype html>"),
        sha256="0" * 64,
    )


def a_release(unit: Unit, by: User) -> UUID:
    """A release in the ledger and the store, of which only whose it is matters here."""
    said = {"asked": asked_of(unit).as_json(), "sha256": "0" * 64, "rows": {}, "columns": {}}
    entry = ledger.write(LedgerKind.COUNTS, by, said)
    with zipfile.ZipFile(store.folder() / f"{entry.uuid}.zip", "w") as package:
        package.writestr("disclosure-report.html", "<!doctype html>")
    return entry.uuid


@pytest.fixture(scope="module")
def house(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[House]:
    """Put on record once for all cells; each cell's own writes are taken back after it."""
    folder = override_settings(RELEASES_DIR=tmp_path_factory.mktemp("releases"))
    with folder, django_db_blocker.unblock(), transaction.atomic():
        yield House()
        transaction.set_rollback(True)


@pytest.mark.parametrize(("who", "path", "status"), CELLS)
def test_cell(house: House, who: str, path: str, status: int) -> None:
    response = house.get(who, path)
    response.close()
    assert response.status_code == status
    if who == "nobody":
        assert response.headers["Location"].startswith("/sign-in/?next=")


def test_the_table_names_every_role_and_asks_nothing_twice() -> None:
    assert ROLES[0] == "nobody"
    assert len({address for address, *_ in ROWS}) == len(ROWS)
    assert {len(row) for row in ROWS} == {len(ROLES) + 1}


# --- no address reaches another surgeon's results ---------------------------------------------

# Radial tears were repaired by elm alone, and so was everything of 2021: what these filters leave in or out.
OF_ELM_ALONE = (
    "pattern=radial",
    "pattern=longitudinal",
    "since=2021-01-01&until=2021-12-31",
    "until=2021-12-31",
    "since=2022-01-01",
    "pattern=radial&unit=northmere&which=all&failure=any",
)
NARROWED = (
    "/survival/",
    "/survival/zone.csv",
    *(f"/survival/{view}/" for view in VIEWS),
    *(f"/survival/{view}/figure.csv" for view in VIEWS),
    "/survival/compare/",
    "/survival/compare/figure.csv",
    "/survival/repairs/",
    "/scores/",
    "/scores/course.csv",
)
NOT_TOLD = ("surgeon", "clinician", "lead", "coordinator")


def body(response: Any) -> str:
    return str(response.content.decode())


def tells_of_elm(response: Any) -> bool:
    return re.search(rf"\b{ELM_FAILED_ON_DAY}\b", body(response)) is not None


@pytest.mark.parametrize("filters", OF_ELM_ALONE)
def test_a_filter_that_leaves_one_other_surgeon_in_or_out_is_refused(house: House, filters: str) -> None:
    for who in NOT_TOLD:
        response = house.get(who, f"/survival/pattern.csv?{filters}")
        assert response.status_code == 403
        assert body(response).startswith(RULE)
        assert not tells_of_elm(response)
    told = house.get("agreed", f"/survival/pattern.csv?{filters}")
    assert told.status_code == 200
    assert tells_of_elm(told) == (filters not in ("pattern=longitudinal", "since=2022-01-01"))


@pytest.mark.parametrize("page", NARROWED)
def test_no_page_or_file_shows_one_other_surgeon_behind_a_filter(house: House, page: str) -> None:
    for who in NOT_TOLD:
        response = house.get(who, f"{page}?pattern=radial")
        assert response.status_code == 403
        assert RULE in body(response) or who == "coordinator"
        assert not tells_of_elm(response)


@pytest.mark.parametrize("who", NOT_TOLD)
def test_the_second_cohort_of_a_comparison_is_no_way_round(house: House, who: str) -> None:
    for page in ("/survival/compare/", "/survival/compare/figure.csv"):
        response = house.get(who, f"{page}?b_pattern=radial")
        assert response.status_code == 403
        assert not tells_of_elm(response)


@pytest.mark.parametrize("who", NOT_TOLD)
def test_a_split_of_which_a_level_is_one_other_surgeons_is_not_drawn(house: House, who: str) -> None:
    assert RULE in body(house.get(who, "/survival/?split=pattern"))
    assert 'id="figure-' not in body(house.get(who, "/survival/?split=pattern"))
    assert house.get(who, "/survival/pattern.csv").status_code == 403
    for view in ("competing", "means"):
        assert not tells_of_elm(house.get(who, f"/survival/{view}/figure.csv?split=pattern"))
    behind = house.get(who, "/survival/repairs/?split=pattern&level=radial")
    assert behind.status_code == 403
    assert tells_of_elm(house.get("agreed", "/survival/pattern.csv"))


def test_the_whole_of_the_unit_is_shown_with_everybodys_failures(house: House) -> None:
    for who in NOT_TOLD:
        assert tells_of_elm(house.get(who, "/survival/zone.csv"))


@pytest.mark.parametrize("who", NOT_TOLD)
@pytest.mark.parametrize(
    "path",
    [
        "/repairs/",
        "/repairs/?sort=surgeon",
        "/repairs/?surgeon=elm",
        "/my-results/",
        "/my-results/?surgeon=elm",
        "/my-results/failures.csv",
        "/my-results/failures.csv?surgeon=elm",
        "/response/",
        "/response/surgeon.csv",
        "/completeness/?until=2024-Q2",
        "/completeness/surgeon.csv?until=2024-Q2",
    ],
)
def test_others_are_not_named_beside_results(house: House, who: str, path: str) -> None:
    response = house.get(who, path)
    said = body(response).replace("surgeon=elm", "")
    assert not re.search(r"\belm\b", said, re.IGNORECASE)
    assert not tells_of_elm(response)


@pytest.mark.parametrize(
    "path", ["/repairs/", "/my-results/", "/response/surgeon.csv", "/completeness/surgeon.csv?until=2024-Q2"]
)
def test_who_leads_the_audit_of_a_unit_that_agreed_is_told_by_code_or_name(house: House, path: str) -> None:
    assert re.search(r"\belm\b", body(house.get("agreed", path)), re.IGNORECASE)


def test_what_a_unit_agreed_to_is_not_told_of_another_unit(house: House) -> None:
    for path in ("/my-results/?surgeon=yew", "/repairs/?surgeon=yew", "/survival/?unit=southmere"):
        response = house.get("agreed", path)
        assert response.status_code in (400, 404)
        assert "Dr Yew" not in body(response)


def test_another_units_own_definition_of_failure_is_no_choice(house: House) -> None:
    own = OwnDefinition.objects.create(
        unit=house.south, name="Seen open", sources=["look"], made_by=house.people["stranger"]
    )
    for who in ("surgeon", "agreed"):
        response = house.get(who, f"/survival/?failure={own.code}")
        assert response.status_code == 400
        assert "Seen open" not in body(response)
    assert house.get("stranger", f"/survival/?failure={own.code}").status_code == 200


POSTED = {
    "/briefings/": {"unit": "southmere", "failure": "reoperation"},
    "/definitions/": {"unit": "southmere", "name": "Seen open", "structure": ["look"], "keep": "on"},
    "/cohorts/": {"shared_with": "southmere", "name": "Radial", "query": "pattern=radial"},
}


@pytest.mark.parametrize(
    ("path", "lead", "surgeon", "administrator"),
    [("/briefings/", 422, 403, 403), ("/definitions/", 422, 403, 403), ("/cohorts/", 422, 422, 403)],
)
def test_what_is_posted_reaches_no_other_unit(
    house: House, path: str, lead: int, surgeon: int, administrator: int
) -> None:
    for who, status in {"lead": lead, "surgeon": surgeon, "administrator": administrator}.items():
        assert house.clients[who].post(path, POSTED[path]).status_code == status
    assert Briefing.objects.count() == 2
    assert not OwnDefinition.objects.exists()
    assert not NamedCohort.objects.filter(name="Radial").exists()

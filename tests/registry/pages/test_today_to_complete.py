"""Today: drafts to go on with, notes to sign, what operations lack, and answers to be verified."""

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime

import pytest
import time_machine

from registry.models import Draft, IndexProcedure, Reoperation, ScoreResponse, SuturePass
from registry.recording import record, sign
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text
from tests.registry.pages.test_today import TODAY, listing, shown
from tests.registry.whole import whole_operation

TO_VERIFY = "Operated on again, says the patient: to be verified"
UNSIGNED = "My operation notes, not signed"


@pytest.fixture(autouse=True)
def _fixed_day() -> Iterator[None]:
    with time_machine.travel(TODAY, tick=False):
        yield


# --- Not signed --------------------------------------------------------------------------------


def test_a_surgeons_own_notes_wait_for_their_signature(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    theirs = factories.an_operation(cast.unit, elm)
    assert f"/knees/{cast.knee.uuid}/#operation-{operation.uuid}" in listing(cast, UNSIGNED)
    assert not shown(cast, UNSIGNED, theirs)
    assert f"/knees/{theirs.knee.uuid}/" in listing(cast, UNSIGNED, "colleague")
    sign(operation, cast.surgeon)
    assert "None." in listing(cast, UNSIGNED)


def test_who_repaired_for_another_sees_the_note_too(cast: Cast) -> None:
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    factories.corrected(cast.repair.tear.procedure, repaired_by=elm)
    assert f"/knees/{cast.knee.uuid}/" in listing(cast, UNSIGNED, "colleague")


@pytest.mark.parametrize("who", ["clinician", "audit_lead"])
def test_who_does_not_operate_signs_nothing(cast: Cast, who: str) -> None:
    assert UNSIGNED not in text(cast.client(who).get("/"))


# --- Drafts ------------------------------------------------------------------------------------


def a_draft(cast: Cast, page: str, who: str = "surgeon") -> None:
    Draft(user=getattr(cast, who), page=page, sealed="sealed").save()


def drafts(cast: Cast, who: str = "surgeon") -> list[tuple[str, str]]:
    """Address and words of each draft offered."""
    page = text(cast.client(who).get("/"))
    section = page.split("<h2>Go on with a draft</h2>")[1].split("</section>")[0] if "draft" in page else ""
    return re.findall(r'<a href="(.*?)">(.*?)</a>', section)


def test_my_drafts_newest_first_and_nobody_elses(cast: Cast) -> None:
    assert drafts(cast) == []
    visit = f"/knees/{cast.knee.uuid}/record/visit/"
    with time_machine.travel(datetime(2024, 6, 14, 9, 30, tzinfo=UTC), tick=False):
        a_draft(cast, "/operations/new/")
    a_draft(cast, visit)
    a_draft(cast, visit, "clinician")
    assert drafts(cast) == [
        (visit, f"Record visit, {cast.knee}"),
        ("/operations/new/", "Record operation"),
    ]
    assert "14 Jun 2024, 09:30" in text(cast.client("surgeon").get("/"))
    assert [address for address, _ in drafts(cast, "clinician")] == [visit]


def test_a_draft_of_a_page_that_is_gone_or_too_old_is_not_offered(cast: Cast) -> None:
    with time_machine.travel(datetime(2024, 5, 1, tzinfo=UTC)):
        a_draft(cast, "/operations/new/")
    a_draft(cast, "/no/such/page/")
    a_draft(cast, f"/knees/{factories.a_knee(cast.other_unit).uuid}/record/visit/")
    assert drafts(cast) == []


# --- To complete -------------------------------------------------------------------------------


def missing(cast: Cast, query: str = "", who: str = "surgeon") -> str:
    return text(cast.client(who).get(f"/?{query}")).split('id="missing">')[1].split("</section>")[0]


def words(cast: Cast, procedure: IndexProcedure, query: str = "") -> str:
    """What the list says of one knee, the empty text when it is not listed."""
    rows = missing(cast, query).split("<tr>")
    told = [row for row in rows if f"/knees/{procedure.knee.uuid}/" in row]
    return re.findall("<td>([^<]*)</td>", told[0])[0] if told else ""


def test_one_list_says_in_words_what_each_knee_lacks(cast: Cast) -> None:
    whole = whole_operation(cast)
    some = whole_operation(cast, {"bmi": None, "acl": "intact"}, {"depth": "", "length_mm": None})
    factories.withdrawn(SuturePass.objects.get(repair__tear__procedure=some))
    assert words(cast, whole) == ""
    assert words(cast, some) == "BMI, depth, length, suture passes, signature"
    named = "Cause of injury, BMI, smoking, ASA class, Tegner before injury, all six prerequisites assessed"
    assert words(cast, cast.repair.tear.procedure) == f"{named} and 10 more"
    assert f'href="/knees/{some.knee.uuid}/#to-complete"' in missing(cast)


def test_newest_operations_come_first(cast: Cast) -> None:
    late, early = (
        whole_operation(cast, {"bmi": None, "operated_on": day})
        for day in (date(2024, 5, 1), date(2023, 5, 1))
    )
    told = missing(cast)
    order = [told.index(str(knee.uuid)) for knee in (late.knee, cast.knee, early.knee)]
    assert order == sorted(order)


def test_counts_for_each_requirement_lead_to_who_lacks_it(cast: Cast) -> None:
    no_bmi = whole_operation(cast, {"bmi": None})
    whole_operation(cast, {}, {"depth": ""})
    told = missing(cast)
    assert '<a href="?missing=bmi#missing">BMI</a> <span class="soft small">2 of 3</span>' in told
    assert 'missing=depth#missing">Depth</a> <span class="soft small">2 of 3 tears</span>' in told
    assert 'missing=signed#missing">Signature</a> <span class="soft small">3 of 3</span>' in told
    assert "missing=ramp-type" not in told
    chosen = missing(cast, "missing=bmi")
    assert "Operations lacking: BMI" in chosen
    assert chosen.count("/knees/") == 2
    assert words(cast, no_bmi, "missing=bmi") == "BMI, signature"
    assert missing(cast, "missing=nonsense") == told


def test_a_long_list_is_paged(cast: Cast) -> None:
    for _ in range(21):
        factories.an_operation(cast.unit, cast.oak)
    first, last = missing(cast), missing(cast, "page=2")
    assert "20 of 22" in first
    assert (first.count("/knees/"), last.count("/knees/")) == (20, 2)
    assert '<a rel="next" href="?page=2">' in first
    assert '<a rel="next" href="?missing=bmi&amp;page=2">' in missing(cast, "missing=bmi")


def test_nothing_missing(cast: Cast) -> None:
    factories.withdrawn(cast.repair.tear.procedure)
    assert "None." in missing(cast)


def says_operated_again(cast: Cast, answered_on: date, answer: str = "yes") -> ScoreResponse:
    score = ScoreResponse(
        knee=cast.knee, instrument="lysholm", answered_on=answered_on, reoperated_since=answer
    )
    record(score)
    return score


@pytest.mark.parametrize(("answer", "listed"), [("yes", True), ("no", False), ("no_answer", False)])
def test_a_yes_is_listed_to_be_verified(cast: Cast, answer: str, listed: bool) -> None:
    says_operated_again(cast, date(2024, 6, 1), answer)
    assert shown(cast, TO_VERIFY, cast.repair.tear.procedure) is listed


def test_a_yes_is_verified_by_a_reoperation_on_any_later_day(cast: Cast) -> None:
    says_operated_again(cast, date(2024, 5, 1))
    record(Reoperation(knee=cast.knee, operated_on=date(2024, 6, 1), other_surgery="hardware"))
    assert "None." in listing(cast, TO_VERIFY)


@pytest.mark.parametrize("operated_on", [date(2024, 4, 1), date(2024, 6, 1)])
def test_a_yes_is_verified_by_a_next_operation_recorded_since(cast: Cast, operated_on: date) -> None:
    says_operated_again(cast, date(2024, 5, 1))
    factories.an_operation(
        cast.unit,
        cast.oak,
        cast.knee,
        operated_on=operated_on,
        injured_on=None,
        recorded_at=datetime(2024, 6, 16, tzinfo=UTC),
    )
    assert "None." in listing(cast, TO_VERIFY)


def test_a_yes_after_the_last_operation_on_record_asks_anew(cast: Cast) -> None:
    factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=date(2024, 4, 1), injured_on=None)
    says_operated_again(cast, date(2024, 6, 1))
    assert shown(cast, TO_VERIFY, cast.repair.tear.procedure)

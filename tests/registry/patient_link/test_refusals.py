"""Every refusal is the same page by the same way: whether there is a link cannot be told from outside.

Before the year is sent, any token opens one and the same page. Sent for a link that cannot be answered, and
for one that can with a wrong year, it gets one and the same refusal: words, status, headers, statements to
the database, and (in the test marked slow) time.
"""

import gc
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from statistics import median
from typing import Any
from uuid import uuid4

import pytest
import time_machine
from django.db import connection
from django.http import HttpResponse
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from scipy.stats import mannwhitneyu
from statsmodels.stats.multitest import multipletests

from registry.models import EndOfFollowUp, KnockCount, PatientLink
from registry.patient_link.knocks import MOST_IN_A_SPAN, SPAN
from registry.patient_link.making import make_link
from registry.patient_link.token import token_of
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.patient_link.conftest import YEAR, Reader
from tests.servers import SAID_AT_THE_END

pytestmark = pytest.mark.any_engine

WRONG_YEAR = "1994"
NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)  # where a span of counted knocks begins
VALUE = re.compile(r"'[^']*'|\b\d+\b|s\d+_x\d+")
SECRET = re.compile(r'name="csrfmiddlewaretoken" value="\w+"')


@dataclass(frozen=True)
class Knock:
    """A token as it stands in an address, and the year that is sent for it."""

    token: str
    year: str = YEAR


def a_knee_of_its_own(cast: Cast, **patient: Any) -> PatientLink:
    knee = factories.a_knee(cast.unit, **patient)
    factories.a_repair(factories.an_operation(cast.unit, cast.oak, knee))
    return make_link(knee, "3m", instruments=["koos"])


@pytest.fixture
def refused(cast: Cast) -> dict[str, Knock]:
    """One of each kind that has to be refused."""
    now = timezone.now()
    over: dict[str, dict[str, Any]] = {
        "expired": {"expires_at": now - timedelta(seconds=1)},
        "answered before": {"finished_at": now},
        "locked": {"wrong_tries": 5},
        "taken back": {"taken_back_at": now},
    }
    links = {
        kind: make_link(cast.knee, "3m", instruments=["koos"]) for kind in (*over, "altered", "wrong year")
    }
    for kind, fields in over.items():
        PatientLink.objects.filter(pk=links[kind].pk).update(**fields)
    links["dead"] = a_knee_of_its_own(cast)
    factories.corrected(links["dead"].knee.patient, died_on=date(2025, 1, 1))
    links["no longer followed"] = a_knee_of_its_own(cast)
    patient = links["no longer followed"].knee.patient
    record(EndOfFollowUp(patient=patient, ended_on=date(2025, 1, 1), reason="withdrew"))
    links["withdrawn"] = a_knee_of_its_own(cast)
    factories.withdrawn(links["withdrawn"].knee)
    links["operation withdrawn"] = a_knee_of_its_own(cast)
    factories.withdrawn(links["operation withdrawn"].knee.procedures.get())
    knocks = {kind: Knock(token_of(link.uuid)) for kind, link in links.items()}
    whole = knocks["altered"].token
    knocks["altered"] = Knock(whole[:-1] + ("A" if whole[-1] != "A" else "B"))
    knocks["wrong year"] = Knock(knocks["wrong year"].token, WRONG_YEAR)
    knocks["well signed, unknown"] = Knock(token_of(uuid4()))
    knocks["guessed"] = Knock("a" * len(whole))
    knocks["short"] = Knock("a")
    return knocks


def send(knock: Knock, **headers: str) -> HttpResponse:
    answer: Any = Client().post(f"/r/{knock.token}/", {"year": knock.year}, headers=headers)
    return answer


def seen(answer: Any) -> tuple[int, list[tuple[str, str]], list[str], str]:
    """Everything that comes over the line but the value of the form's own token."""
    cookies = [f"{cookie.key}; {cookie.output().partition(';')[2]}" for cookie in answer.cookies.values()]
    dated = re.compile(r"expires=[^;]+")
    words = SECRET.sub("", answer.content.decode())
    headers = sorted(item for item in answer.items() if item[0] != "X-Request-ID")  # another at each request
    return answer.status_code, headers, [dated.sub("", each) for each in cookies], words


def test_before_the_year_any_token_opens_the_same_page(refused: dict[str, Knock], cast: Cast) -> None:
    tokens = {kind: knock.token for kind, knock in refused.items()}
    tokens["open"] = token_of(make_link(cast.knee, "6m").uuid)
    pages = {}
    for kind, token in tokens.items():
        with CaptureQueriesContext(
            connection,
        ) as asked:
            pages[kind] = seen(Client().get(f"/r/{token}/"))
        assert not asked.captured_queries, kind
    assert all(page == pages["open"] for page in pages.values())
    assert pages["open"][0] == 200


@pytest.mark.parametrize("language", ["en", "es"])
def test_refusals_are_alike(refused: dict[str, Knock], language: str) -> None:
    answers, statements = {}, {}
    for kind, knock in refused.items():
        with CaptureQueriesContext(connection) as asked:
            answers[kind] = seen(send(knock, **{"Accept-Language": language}))
        statements[kind] = [VALUE.sub("?", query["sql"]) for query in asked.captured_queries]
    status, headers, _, words = answers["guessed"]
    assert status == 403
    assert ("Cache-Control", "no-store") in headers
    assert ("No se ha abierto" if language == "es" else "Not opened") in words
    for kind in refused:
        assert answers[kind] == answers["guessed"], kind
        assert statements[kind] == statements["guessed"], kind


def test_a_year_that_is_none_is_told_alike_and_is_no_try(refused: dict[str, Knock], cast: Cast) -> None:
    link = make_link(cast.knee, "6m")
    for year in ("", "95", "0000", "19955", "nineteen", "١٩٩٥"):
        answers = [
            seen(send(Knock(token, year)))
            for token in (token_of(link.uuid), *(k.token for k in refused.values()))
        ]
        assert all(answer == answers[0] for answer in answers)
        assert answers[0][0] == 422
    assert not KnockCount.objects.exists()
    link.refresh_from_db()
    assert link.wrong_tries == 0


def test_five_wrong_years_lock(cast: Cast) -> None:
    reader = Reader(make_link(cast.knee, "3m"))
    for tries in range(1, 8):
        assert reader.enter(WRONG_YEAR).status_code == 403
        reader.link.refresh_from_db()
        assert reader.link.wrong_tries == min(tries, 5)
    assert reader.enter().status_code == 403
    assert reader.link.is_locked


def test_four_wrong_years_do_not_and_a_right_one_is_no_try(cast: Cast) -> None:
    reader = Reader(make_link(cast.knee, "3m"))
    for _ in range(4):
        reader.enter(WRONG_YEAR)
    assert reader.enter().status_code == 200
    reader.link.refresh_from_db()
    assert reader.link.wrong_tries == 4
    Reader(reader.link).enter(WRONG_YEAR)
    assert "Not opened" in reader.look()


@time_machine.travel(NOON)
def test_one_address_may_try_so_often_in_a_span(cast: Cast, refused: dict[str, Knock]) -> None:
    link = make_link(cast.knee, "6m")
    for _ in range(MOST_IN_A_SPAN):
        assert send(refused["guessed"]).status_code == 403
    floods = [seen(send(knock)) for knock in (*refused.values(), Knock(token_of(link.uuid)))]
    assert all(flood == floods[0] for flood in floods)
    assert floods[0][0] == 429
    assert "Wait ten minutes" in floods[0][3]
    # Another address is not held up, and what is counted says nothing of where it came from.
    elsewhere = Client(REMOTE_ADDR="192.0.2.7")
    assert elsewhere.post(f"/r/{token_of(link.uuid)}/", {"year": YEAR}).status_code == 303
    assert all(len(count.address_index) == 64 for count in KnockCount.objects.all())


@time_machine.travel(NOON)
def test_counts_of_spans_that_are_over_are_deleted(refused: dict[str, Knock]) -> None:
    long_ago = timezone.now() - 2 * SPAN
    KnockCount(address_index="0" * 64, since=long_ago, knocks=MOST_IN_A_SPAN).save()
    send(refused["guessed"])
    (count,) = KnockCount.objects.all()
    assert (count.knocks, count.since > long_ago) == (1, True)


@time_machine.travel(NOON)
@override_settings(BEHIND_TLS_PROXY=True)
def test_behind_the_sites_own_proxy_the_address_is_what_the_proxy_says(refused: dict[str, Knock]) -> None:
    for number in range(3):
        forwarded = f"203.0.113.{number}, 198.51.100.1"  # the first may be made up by whoever asks
        send(refused["guessed"], **{"X-Forwarded-For": forwarded})
    assert [count.knocks for count in KnockCount.objects.all()] == [3]


@time_machine.travel(NOON)
def test_one_subscriber_of_ipv6_is_counted_as_one(refused: dict[str, Knock]) -> None:
    """As at sign-in: within their /64 everybody changes their address at will."""
    for address in ("2001:db8:1:2::1", "2001:db8:1:2:ffff::9", "2001:db8:1:3::1"):
        Client(REMOTE_ADDR=address).post(f"/r/{refused['guessed'].token}/", {"year": YEAR})
    assert sorted(count.knocks for count in KnockCount.objects.all()) == [1, 2]


# So many refusals of each kind, set against those of a guessed token by the rank test of Mann and Whitney,
# with Holm's correction for the number of kinds; a kind slower by a twentieth has to be seen by it.
ROUNDS, TOLD_APART_BELOW, SLOWER = 200, 0.01, 1.05


@pytest.mark.slow
def test_refusals_take_the_same_time(
    refused: dict[str, Knock], record_property: Callable[[str, object], None]
) -> None:
    taken = time_of_each(refused)
    guessed = taken.pop("guessed")
    told = told_apart(taken, guessed)
    lines = [f"{'guessed':20} {median(guessed) * 1000:6.2f} ms"]
    lines += [
        f"{kind:20} {median(times) * 1000:6.2f} ms, p {told[kind]:.2f}" for kind, times in taken.items()
    ]
    record_property(SAID_AT_THE_END, "\n".join(lines))
    assert min(told.values()) >= TOLD_APART_BELOW, lines
    slower = {kind: [time * SLOWER for time in times] for kind, times in taken.items()}
    assert max(told_apart(slower, guessed).values()) < TOLD_APART_BELOW, "too noisy to tell anything"


def told_apart(taken: dict[str, list[float]], guessed: list[float]) -> dict[str, float]:
    """P value of each kind's times against those of a guessed token, after Holm."""
    plain = [mannwhitneyu(times, guessed).pvalue for times in taken.values()]
    return dict(zip(taken, multipletests(plain, method="holm")[1], strict=True))


def time_of_each(refused: dict[str, Knock]) -> dict[str, list[float]]:
    """Seconds for each refusal, the kinds taking turns, so that a busy machine slows all of them."""
    client = Client()
    taken: dict[str, list[float]] = {kind: [] for kind in refused}
    gc.collect()
    gc.disable()
    try:
        for place in range(ROUNDS):
            PatientLink.objects.filter(wrong_tries__range=(1, 4)).update(wrong_tries=0)
            KnockCount.objects.all().delete()
            kinds = list(refused)
            turn = place % len(kinds)
            for kind in kinds[turn:] + kinds[:turn]:
                knock = refused[kind]
                began = time.perf_counter()
                client.post(f"/r/{knock.token}/", {"year": knock.year})
                taken[kind].append(time.perf_counter() - began)
    finally:
        gc.enable()
    return taken

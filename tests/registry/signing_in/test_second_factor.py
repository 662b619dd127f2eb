"""The second factor: codes by the standard's tables, none twice, ever slower after wrong ones, key sealed."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import time_machine
from django.db import connection
from django.test import Client
from django.utils import timezone

from registry import sealing
from registry.models import AccountEvent, RecoveryCode, SecondFactor
from registry.signing_in import second_factor
from tests.conftest import Cast
from tests.registry.apart import database_beside, printed_by
from tests.registry.pages.entries import text
from tests.registry.signing_in.generator import RFC_4226, RFC_6238, RFC_KEY, code_at
from tests.registry.signing_in.people import code_now, is_in, signed_in_with, with_factor

pytestmark = pytest.mark.any_engine

NOON = datetime(2026, 3, 1, 12, 0, 10, tzinfo=UTC)
SET_UP = "/account/second-factor/set-up/"


def key_shown(page: str) -> str:
    """The key as text on the set-up page."""
    found = re.search(r"<code>([A-Z2-7 ]{39})</code>", page)
    assert found
    return found[1].replace(" ", "")


# --- Codes -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("seconds", "code"), list(RFC_6238.items()))
def test_codes_are_those_of_rfc_6238(seconds: int, code: str) -> None:
    assert code_at(RFC_KEY, seconds, digits=8) == code
    with time_machine.travel(seconds, tick=False):
        assert second_factor.step_of(RFC_KEY, code[-6:]) == seconds // 30


@pytest.mark.parametrize(("step", "code"), list(enumerate(RFC_4226)))
def test_codes_are_those_of_rfc_4226(step: int, code: str) -> None:
    assert code_at(RFC_KEY, step * 30) == code
    with time_machine.travel(step * 30, tick=False):
        assert second_factor.step_of(RFC_KEY, code) == step


@pytest.mark.parametrize(("off", "is_taken"), [(-2, False), (-1, True), (0, True), (1, True), (2, False)])
@time_machine.travel(NOON, tick=False)
def test_one_step_of_tolerance_each_way(off: int, is_taken: bool) -> None:
    step = second_factor.step_of(RFC_KEY, code_now(steps=off))
    assert step == (int(NOON.timestamp()) // 30 + off if is_taken else None)


@pytest.mark.parametrize(
    "typed", ["", "12345", "1234567", "12345a", "-12345", "\u0661\u0662\u0663\u0664\u0665\u0666"]
)
def test_what_is_no_code_is_refused(typed: str) -> None:
    assert second_factor.step_of(RFC_KEY, typed) is None


# --- None twice, and ever slower -----------------------------------------------------------------------


@time_machine.travel(NOON, tick=False)
def test_no_code_is_taken_twice_nor_one_before_it(cast: Cast) -> None:
    factor = with_factor(cast.surgeon)
    assert factor.verify_token(code_now())
    for again in (code_now(), code_now(steps=-1)):
        factor.refresh_from_db()
        factor.throttle_reset()
        assert not factor.verify_token(again)
    factor.throttle_reset()
    assert factor.verify_token(code_now(steps=1))


@time_machine.travel(NOON, tick=False)
def test_a_code_read_before_it_was_used_elsewhere_is_refused(cast: Cast) -> None:
    """Two requests that both read the row before either wrote: the database lets one through."""
    with_factor(cast.surgeon)
    first, second = SecondFactor.objects.get(), SecondFactor.objects.get()
    assert first.verify_token(code_now())
    assert not second.verify_token(code_now())


def test_after_wrong_codes_the_right_one_waits_too_and_never_longer_than_nine_minutes(cast: Cast) -> None:
    factor = with_factor(cast.surgeon)
    with time_machine.travel(NOON, tick=False) as clock:
        waits = []
        for _ in range(13):
            assert not factor.verify_token("000000")
            waits.append(second_factor.seconds_to_wait(factor))
            assert not factor.verify_token(code_now()), "a right code is not taken before its time"
            clock.shift(timedelta(seconds=waits[-1]))
        assert waits == [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 512, 512, 512]
        assert factor.verify_token(code_now())
        assert second_factor.seconds_to_wait(factor) == 0


AT_ONCE = """
import threading
import django
django.setup()
import django_otp
from django.db import connection
from tests import factories
from tests.tables import make_tables
from tests.registry.signing_in.people import code_now, with_factor
from registry.models import RecoveryCode, SecondFactor
from registry.signing_in import recovery

make_tables()
person = factories.a_person("oak")
with_factor(person)
RecoveryCode.objects.create(user=person, digest=recovery.digest("ABCD-EFGH"))


def at_once(many, work):
    gate, answers = threading.Barrier(many), []
    def one():
        try:
            gate.wait(60)
            answers.append(work())
        finally:
            connection.close()
    threads = [threading.Thread(target=one) for _ in range(many)]
    for thread in threads: thread.start()
    for thread in threads: thread.join(120)
    return sum(map(bool, answers)), len(answers)


code, factor = code_now(), SecondFactor.objects.get()
by_library = at_once(8, lambda: django_otp.verify_token(person, factor.persistent_id, code))
recovered = at_once(8, lambda: recovery.takes(person, "ABCD-EFGH", None))
SecondFactor.objects.update(last_step=-1, throttling_failure_count=0, throttling_failure_timestamp=None)
alone = at_once(8, lambda: SecondFactor.objects.get().verify_token(code))
print(by_library, recovered, alone)
"""
ONE_OF_EIGHT = "(1, 8) (1, 8) (1, 8)"


def test_of_eight_at_once_with_one_code_one_gets_in_on_sqlite(tmp_path: Path) -> None:
    assert printed_by(AT_ONCE, f"sqlite:///{tmp_path}/codes.sqlite3", tmp_path) == ONE_OF_EIGHT


@pytest.mark.postgresql
def test_of_eight_at_once_with_one_code_one_gets_in_on_postgresql(
    tmp_path: Path, postgresql_url: str
) -> None:
    assert printed_by(AT_ONCE, database_beside(postgresql_url, "codes"), tmp_path) == ONE_OF_EIGHT


# --- The page ------------------------------------------------------------------------------------------


def test_set_up_with_a_first_code_then_the_recovery_codes_once(cast: Cast) -> None:
    client = cast.client("surgeon")
    page = text(client.get(SET_UP))
    key = key_shown(page)
    assert 'src="data:image/svg+xml' in page
    assert key_shown(text(client.get(SET_UP))) == key, "the picture that was read stays good"
    wrong = client.post(SET_UP, {"code": code_now(key, steps=5)})
    assert wrong.status_code == 422
    assert not SecondFactor.objects.exists()
    done = client.post(SET_UP, {"code": code_now(key)})
    codes = re.findall(r"<code>([A-Z2-7-]+)</code>", text(done))
    assert len(set(codes)) == 10
    assert all(len(code.replace("-", "")) * 5 >= 112 for code in codes), "OWASP ASVS 5.0, 6.5.2"
    assert "no-store" in done.headers["Cache-Control"]
    shown = text(client.get("/account/second-factor/"))
    assert "10 of 10 are left" in shown
    assert not any(code in shown for code in codes)
    kinds = AccountEvent.objects.filter(user=cast.surgeon).values_list("kind", flat=True)
    assert {"factor_set", "codes_made"} <= set(kinds)


def test_neither_key_nor_recovery_codes_lie_open_in_the_database(cast: Cast) -> None:
    client = cast.client("surgeon")
    key = key_shown(text(client.get(SET_UP)))
    codes = re.findall(r"<code>([A-Z2-7-]+)</code>", text(client.post(SET_UP, {"code": code_now(key)})))
    with connection.cursor() as cursor:
        cursor.execute("SELECT sealed_key FROM registry_secondfactor")
        sealed = cursor.fetchone()[0]
        cursor.execute("SELECT digest FROM registry_recoverycode")
        digests = [row[0] for row in cursor.fetchall()]
    assert key not in sealed
    assert sealing.unseal(sealed) == key
    assert all(len(digest) == 64 for digest in digests)
    assert not any(code.replace("-", "") in str(digests).upper() for code in codes)


def test_the_code_that_set_it_up_signs_nobody_in(cast: Cast) -> None:
    client = cast.client("surgeon")
    key = key_shown(text(client.get(SET_UP)))
    first = code_now(key)
    client.post(SET_UP, {"code": first})
    assert not SecondFactor.objects.get().verify_token(first)


def test_moved_to_another_phone_the_old_one_is_good_until_the_new_one_is(cast: Cast) -> None:
    client = signed_in_with(with_factor(cast.surgeon))
    key = key_shown(text(client.get(SET_UP)))
    assert sealing.unseal(SecondFactor.objects.get().sealed_key) == RFC_KEY
    client.post(SET_UP, {"code": code_now(key)})
    assert sealing.unseal(SecondFactor.objects.get().sealed_key) == key


@pytest.mark.parametrize("has_one_already", [False, True])
def test_a_new_factor_ends_what_was_begun_before_it(cast: Cast, has_one_already: bool) -> None:
    here, there = cast.client("surgeon"), cast.client("surgeon")
    if has_one_already:
        here = signed_in_with(with_factor(cast.surgeon))
    key = key_shown(text(here.get(SET_UP)))
    known_before = here.session.session_key
    here.post(SET_UP, {"code": code_now(key, steps=5)})
    assert (here.session.session_key, is_in(there)) == (known_before, True), "a wrong code ends nothing"
    assert here.post(SET_UP, {"code": code_now(key)}).status_code == 200
    assert (is_in(here), is_in(there)) == (True, False)
    with_the_old_key = Client()
    with_the_old_key.cookies["sessionid"] = known_before
    assert not is_in(with_the_old_key)
    assert here.get(SET_UP).status_code == 200, "this session has shown the new factor"


def test_new_recovery_codes_take_the_place_of_the_old(cast: Cast) -> None:
    client = signed_in_with(with_factor(cast.surgeon))
    address = "/account/second-factor/recovery-codes/"
    client.post(address)
    before = set(RecoveryCode.objects.values_list("digest", flat=True))
    client.post(address)
    after = set(RecoveryCode.objects.values_list("digest", flat=True))
    assert len(before) == len(after) == 10
    assert not before & after


def test_whoever_has_no_factor_gets_no_recovery_codes(cast: Cast) -> None:
    client = cast.client("surgeon")
    assert client.post("/account/second-factor/recovery-codes/").status_code == 302
    assert not RecoveryCode.objects.exists()


def test_taken_off_the_codes_go_too_but_not_while_the_role_needs_one(cast: Cast, settings: object) -> None:
    client = signed_in_with(with_factor(cast.surgeon))
    client.post("/account/second-factor/recovery-codes/")
    settings.SECOND_FACTOR = "required"  # type: ignore[attr-defined]
    refused = client.post("/account/second-factor/take-off/", follow=True)
    assert "Your second factor stays" in text(refused)
    assert SecondFactor.objects.exists()
    settings.SECOND_FACTOR = "offered"  # type: ignore[attr-defined]
    client.post("/account/second-factor/take-off/")
    assert not SecondFactor.objects.exists()
    assert not RecoveryCode.objects.exists()


def test_one_person_changes_nothing_of_another(cast: Cast) -> None:
    with_factor(cast.surgeon)
    cast.client("colleague").post("/account/second-factor/take-off/")
    Client().post("/account/second-factor/take-off/")
    assert SecondFactor.objects.get().made_at <= timezone.now()

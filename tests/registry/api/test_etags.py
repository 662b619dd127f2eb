"""Nobody overwrites what they have not seen: ETag, If-None-Match and If-Match (RFC 9110, section 13)."""

import pytest

from registry.models import Contact, IndexProcedure
from tests import factories
from tests.conftest import Cast
from tests.registry.api.asking import asker


def test_what_was_read_already_is_not_sent_again_until_it_changes(cast: Cast) -> None:
    program, path = asker(cast.surgeon), f"/operations/{cast.repair.tear.procedure.uuid}/"
    tag = program.get(path).headers["ETag"]
    for known in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        same = program.get(path, If_None_Match=known)
        assert (same.status_code, same.content, same.headers["ETag"]) == (304, b"", tag)
    factories.corrected(cast.repair, all_inside=False, inside_out=True)
    changed = program.get(path, If_None_Match=tag)
    assert changed.status_code == 200
    assert changed.headers["ETag"] != tag


def test_every_change_says_which_state_was_seen(cast: Cast) -> None:
    contact = factories.a_contact(cast.repair, 100)
    program, path = asker(cast.surgeon), f"/contacts/{contact.uuid}/"
    tag = program.get(path).headers["ETag"]
    change = {"source": "letter", "correction_reason": "Read again"}
    for unseen in ("", "*"):
        assert program.patch(path, change, If_Match=unseen).status_code == 428
    for stale in ('"0-abc"', f"W/{tag}", "no-tag"):
        assert program.patch(path, change, If_Match=stale).status_code == 412
    changed = program.patch(path, change, If_Match=f'"0-abc", {tag}')
    assert changed.status_code == 200
    assert changed.headers["ETag"] == program.get(path).headers["ETag"] != tag
    assert program.patch(path, change, If_Match=tag).status_code == 412


@pytest.mark.any_engine
def test_acts_need_the_state_that_was_seen_as_well(cast: Cast) -> None:
    program, path = asker(cast.surgeon), f"/operations/{cast.repair.tear.procedure.uuid}/"
    seen = program.get(path).headers["ETag"]
    factories.corrected(IndexProcedure.objects.get(), bmi=30)
    for act in ("withdrawal", "reinstatement", "signature"):
        assert program.act(path, act, {"reason": "x"}, If_Match="").status_code == 428
        assert program.act(path, act, {"reason": "x"}, If_Match=seen).status_code == 412


@pytest.mark.any_engine
def test_a_tear_is_stale_once_its_operation_was_corrected(cast: Cast) -> None:
    program, path = asker(cast.surgeon), f"/tears/{cast.repair.tear.uuid}/"
    seen = program.get(path).headers["ETag"]
    factories.corrected(IndexProcedure.objects.get(), bmi=30)
    assert program.patch(path, {"length_mm": 12}, If_Match=seen).status_code == 412


@pytest.mark.any_engine
def test_a_change_that_changes_nothing_leaves_no_correction(cast: Cast) -> None:
    contact = factories.a_contact(cast.repair, 100)
    path = f"/contacts/{contact.uuid}/"
    assert asker(cast.surgeon).patch(path, {"source": "phone"}).status_code == 200
    assert Contact.objects.get().version == 1

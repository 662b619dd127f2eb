"""Patient's file: every column of every row that hangs on the patient is in it, or is named with a reason."""

import html
from typing import Any

import pytest
from django.db.models import ForeignKey, JSONField, Model

from registry import sealing
from registry.models import Correction, Opening
from registry.pages.differences import shown
from registry.rights.belonging import keys_of, paths, rows_of
from registry.rights.file.words import NOT_TOLD, label
from registry.scoring import INSTRUMENTS
from tests import factories
from tests.registry.rights.conftest import CANARY, Whole

pytestmark = pytest.mark.any_engine

REASON = {"reason": "the patient asked"}


def file_of(whole: Whole, who: str = "surgeon") -> str:
    client = whole.cast.client(who)
    answer = client.post(f"/knees/{whole.knee.uuid}/patient-file/", REASON)
    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"] == 'attachment; filename="patient-file.html"'
    assert "no-store" in answer.headers["Cache-Control"]
    return html.unescape(answer.content.decode())


def test_every_column_of_every_row_is_told(whole: Whole) -> None:
    told = file_of(whole)
    missing = [
        (model.__name__, column.attname, value)
        for model in paths()
        for row in rows_of(model, whole.patient)
        for column in row._meta.concrete_fields
        if column.attname not in NOT_TOLD and not isinstance(column, ForeignKey)
        for value in [words(column, column.value_from_object(row))]
        if value not in told
    ]
    assert missing == []


def words(column: Any, value: Any) -> str:
    """What has to stand in the file; nothing for what is empty."""
    if value in (None, "", [], {}):
        return ""
    if column.attname.endswith("_sealed"):
        return sealing.unseal(value)
    if isinstance(column, JSONField):
        return ", ".join(INSTRUMENTS[code].name for code in value)
    if column.name == "instrument":
        return INSTRUMENTS[value].name
    if column.attname in ("first_at", "viewed_at", "made_at") and column.model in LISTED:
        return f"{value:%-d %b %Y %H:%M}"
    return shown(column, value)


LISTED: tuple[type[Model], ...] = (
    Opening,
    Correction,
    *(each for each in paths() if each.__name__ == "IdentityView"),
)


def test_labels_stand_by_the_values_of_the_record(whole: Whole) -> None:
    told = file_of(whole)
    for name in ("IndexProcedure", "Tear", "SecondLookFinding", "Identity"):
        row = whole.rows[name]
        row.refresh_from_db()
        for column in row._meta.concrete_fields:
            filled = column.value_from_object(row) not in (None, "")
            if filled and column.attname not in NOT_TOLD and column.name not in row.PART_OF[:1]:
                assert f"<dt>{label(column)}</dt>" in told, column.attname


def test_what_was_left_out_by_hand_is_missed(whole: Whole, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first test can fail: it does when one more column is left out."""
    assert "SN-4711" in file_of(whole)
    monkeypatch.setitem(NOT_TOLD, "serial", "no reason")
    assert "SN-4711" not in file_of(whole)


def test_answers_corrections_openings_and_half_answers_are_told(whole: Whole) -> None:
    score = whole.rows["ScoreResponse"]
    factories.corrected(score, items={item.code: item.allowed[-1] for item in INSTRUMENTS["lysholm"].items})
    told = file_of(whole)
    for item in INSTRUMENTS["lysholm"].items:
        assert f"{item.label} ({item.code})" in told
    assert told.count(CANARY) >= 6
    assert "Not sent off yet: where" in told
    assert "withdrawn: it counts no longer" in told
    assert "Patient's file, first that day" in told
    assert "the patient asked" in told


def test_it_is_noted_as_an_opening_of_the_identity(whole: Whole) -> None:
    client = whole.cast.client("surgeon")
    address = f"/knees/{whole.knee.uuid}/patient-file/"
    assert client.get(address).status_code == 200
    assert client.post(address, {"reason": ""}).status_code == 422
    before = whole.patient.identity_views.count()
    file_of(whole)
    assert whole.patient.identity_views.count() == before + 1
    assert Opening.objects.filter(patient=whole.patient, kind="file", user=whole.cast.surgeon).exists()


def test_a_knee_of_another_unit_is_left_out_and_that_is_said(whole: Whole) -> None:
    assert "Left out" not in file_of(whole)
    other = factories.a_knee(whole.cast.other_unit, side="right")
    factories.corrected(other, patient=whole.patient)
    factories.an_operation(
        whole.cast.other_unit, factories.a_surgeon(whole.cast.other_unit, "larch"), other, asa=3
    )
    told = file_of(whole)
    assert "Left out" in told
    assert "Dr Larch" not in told
    assert "Right knee" not in told


def test_what_hangs_on_nobody_else_is_in_it(whole: Whole) -> None:
    """No row of the other patient of the cast."""
    mine = keys_of(whole.patient)
    theirs = keys_of(whole.cast.knee.patient)
    assert all(not mine[model] & held for model, held in theirs.items())

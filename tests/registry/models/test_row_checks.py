"""Checks judged from the row itself: the same verdict as the database's, whatever the row holds."""

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import OperationalError, connection, models
from django.db.models import CheckConstraint, F, Q
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from registry.models import Complication, Correction, IndexProcedure, Knee
from registry.models.history_rules import kept_models
from registry.models.limits import FieldCheck
from registry.models.row_checks import NotJudged, RowChecked, truth
from tests.conftest import Cast

DAY = date(2024, 3, 1)
DAYS = [date.min, DAY - timedelta(days=1), DAY, DAY + timedelta(days=1), date.max]
MOMENTS = [datetime(2024, 3, 1, 12, tzinfo=UTC) + timedelta(microseconds=step) for step in (-1, 0, 1)]
KEYS = st.sampled_from([None, 1, 2])


def examples(number: int) -> settings:
    allowed = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
    return settings(max_examples=number, deadline=None, suppress_health_check=allowed)


def checks() -> Iterator[tuple[type[RowChecked], CheckConstraint]]:
    """Every check of the record and its corrections, but those whose words are a field's."""
    for model in (*kept_models(), Correction):
        for constraint in model._meta.constraints:
            if isinstance(constraint, CheckConstraint) and not isinstance(constraint, FieldCheck):
                yield model, constraint


def asked(condition: Q) -> Iterator[tuple[str, Any]]:
    """Column and what is looked for, of every lookup in a condition."""
    for part in condition.children:
        if isinstance(part, Q):
            yield from asked(part)
        else:
            path, wanted = part
            yield path.partition("__")[0], wanted
            if isinstance(wanted, F):
                yield wanted.name, None


def values(column: "models.Field[Any, Any]", near: list[Any]) -> st.SearchStrategy[Any]:
    """What a column can hold: nothing, what its checks speak of and just beside it, and anything."""
    if isinstance(column, models.ForeignKey) or column.primary_key:
        return KEYS
    if isinstance(column, models.DateField):
        return st.sampled_from([None, *(MOMENTS if isinstance(column, models.DateTimeField) else DAYS)])
    if isinstance(column, models.BooleanField):
        return st.sampled_from([None, True, False])
    return st.none() | _numbers_or_texts(column, near)


def _numbers_or_texts(column: "models.Field[Any, Any]", near: list[Any]) -> st.SearchStrategy[Any]:
    if isinstance(column, models.DecimalField):
        step = Decimal(1).scaleb(-column.decimal_places)
        edges = [Decimal(str(each)) + by for each in near for by in (-step, 0, step)]
        return st.sampled_from(edges or [Decimal(0)]) | st.decimals(-9, 99, places=column.decimal_places)
    if isinstance(column, models.IntegerField):
        low, high = connection.ops.integer_field_range(column.get_internal_type())
        edges = [low, high, *(int(each) + by for each in near for by in (-1, 0, 1))]
        return st.sampled_from([each for each in edges if low <= each <= high])
    texts = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=3)
    return st.sampled_from(["", *map(str, near), *(str(each).upper() for each in near)]) | texts


def rows(model: type[RowChecked], condition: Q) -> st.SearchStrategy[RowChecked]:
    """Rows whose columns of a condition hold anything, the others what a new row has."""
    near: dict[str, list[Any]] = {}
    for name, wanted in asked(condition):
        several = wanted if isinstance(wanted, list) else [wanted]
        near.setdefault(name, []).extend(each for each in several if not isinstance(each, F | bool | None))
    held = {}
    for name, spoken_of in near.items():
        column: Any = model._meta.pk if name == "pk" else model._meta.get_field(name)
        held[column.attname] = values(column, spoken_of)
    return st.fixed_dictionaries(held).map(lambda each: model(**each))


def refusal(constraint: CheckConstraint, row: RowChecked, left_out: set[str]) -> list[Any] | None:
    """The words and code by which Django, asking the database, refuses a row."""
    try:
        constraint.validate(type(row), row, exclude=left_out)
    except ValidationError as refused:
        return [*refused.messages, refused.code]
    return None


def refusal_here(constraint: CheckConstraint, row: RowChecked, left_out: set[str]) -> list[Any] | None:
    """The same of what a save still asks about."""
    still_asked = [each for _, constraints in row.get_constraints() for each in constraints]
    return refusal(constraint, row, left_out) if constraint in still_asked else None


@pytest.mark.parametrize(("model", "constraint"), [pytest.param(*each, id=each[1].name) for each in checks()])
def test_a_row_is_refused_by_the_same_checks_in_the_same_words(
    db: None, model: type[RowChecked], constraint: CheckConstraint
) -> None:
    names = sorted({name for name, _ in asked(constraint.condition)})

    @examples(25)
    @given(row=rows(model, constraint.condition), left_out=st.just(set()) | st.sets(st.sampled_from(names)))
    def try_it(row: RowChecked, left_out: set[str]) -> None:
        said = refusal(constraint, row, left_out)
        assert refusal_here(constraint, row, left_out) == said
        # Judged from the row, not left to the database.
        assert left_out or (truth(constraint.condition, row) is False) == bool(said)

    try_it()


def holds_in_the_database(condition: Q, row: RowChecked) -> bool:
    return condition.check(row._get_field_expression_map(meta=row._meta))


LEAVES = st.sampled_from(
    [
        Q(injured_on__isnull=True),
        Q(injured_on__isnull=False),
        Q(injured_on=None),
        Q(injured_on=F("operated_on")),
        Q(injured_on__lt=F("operated_on")),
        Q(injured_on__gt=DAY),
        Q(injured_on__in=[DAY, date.max]),
        Q(signed_at__gte=MOMENTS[1]),
        Q(graft="quadriceps"),
        Q(graft__in=("", "quadriceps")),
        Q(from_old_notes=True),
        Q(asa__lte=2),
        Q(asa__in=[1, 4]),
        Q(asa=F("preinjury_tegner")),
        Q(bmi__gt=Decimal("20.5")),
        Q(bmi__lte=30),
        Q(first_assistant=F("repaired_by")),
        Q(repaired_by=F("pk")),
    ]
)


def joined(parts: st.SearchStrategy[Q]) -> st.SearchStrategy[Q]:
    of_any_number = st.tuples(st.sampled_from([Q.AND, Q.OR]), st.lists(parts, min_size=1, max_size=4))
    of_several = st.tuples(st.just(Q.XOR), st.lists(parts, min_size=2, max_size=4))
    return st.builds(
        lambda of, negated: Q(*of[1], _connector=of[0], _negated=negated),
        of_any_number | of_several,
        st.booleans(),
    )


@examples(100)
@given(data=st.data(), condition=joined(st.recursive(LEAVES, joined, max_leaves=6)))
def test_any_nesting_of_and_or_xor_and_not_comes_to_what_the_database_says(
    db: None, data: st.DataObject, condition: Q
) -> None:
    row = data.draw(rows(IndexProcedure, condition))
    assert (truth(condition, row) is not False) == holds_in_the_database(condition, row)


@pytest.mark.any_engine
@pytest.mark.parametrize(
    ("condition", "held"),
    [
        (Q(graft__startswith="q"), {}),
        (Q(graft__gt="a"), {"graft": "b"}),  # each database has its own order of text
        (Q(graft__in=["quadriceps", None]), {}),
        (Q(graft__in=[]), {}),
        (Q(asa=1), {"asa": "1"}),  # as typed, not yet made a number
        (Q(bmi__lt=20), {"bmi": Decimal("NaN")}),
        (Q(signed_at__lt=MOMENTS[0]), {"signed_at": datetime(2024, 3, 1)}),  # of no zone
        (Q(injured_on__lt=DAY), {"injured_on": MOMENTS[0]}),
        (Q(injured_on__year=2024), {"injured_on": DAY}),
        (Q(signed_by_id=1), {}),
        (Q(models.Exists(IndexProcedure.objects.all())), {}),
        (Q(Q(injured_on__gt=DAY), _connector=Q.XOR), {}),
        (Q(), {}),
    ],
)
def test_what_only_the_database_can_tell_is_left_to_it(condition: Q, held: dict[str, Any]) -> None:
    with pytest.raises(NotJudged):
        truth(condition, IndexProcedure(**held))


def test_a_sound_row_asks_nothing_for_its_checks_and_a_refused_one_asks_once(db: None) -> None:
    row = Complication(noticed_on=DAY, resolved_on=DAY)
    with CaptureQueriesContext(connection) as none:
        row.validate_constraints()
    assert len(none) == 0
    row.resolved_on = DAYS[1]
    with (
        CaptureQueriesContext(connection) as one,
        pytest.raises(ValidationError, match="before it was noticed"),
    ):
        row.validate_constraints()
    assert sum("SELECT" in each["sql"] for each in one) == 1


# --- unique among those that stand ----------------------------------------------------------------


def test_what_is_on_record_already_is_refused_in_words_unless_it_was_withdrawn(cast: Cast) -> None:
    same = Knee(patient=cast.knee.patient, side=cast.knee.side)
    with pytest.raises(ValidationError) as refused:
        same.validate_constraints()
    (once,) = [each for each in Knee._meta.constraints if each.name == "knee_once_per_side"]
    assert refused.value.messages == [once.get_violation_error_message()]
    cast.knee.validate_constraints()  # not against itself
    Knee(patient=cast.knee.patient, side=cast.knee.side, withdrawn_at=timezone.now()).validate_constraints()
    Knee(patient=cast.knee.patient, side="right").validate_constraints()
    same.validate_constraints(exclude={"side"})


def test_a_connection_lost_meanwhile_is_not_told_as_on_record_already(cast: Cast) -> None:
    def lost(*_: Any) -> None:
        raise OperationalError("server closed the connection unexpectedly")

    with pytest.raises(OperationalError), connection.execute_wrapper(lost):
        Knee(patient=cast.knee.patient, side="right").validate_constraints()

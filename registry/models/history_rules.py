# ruff: noqa: S608 - every name in this SQL is a table or column of the models
"""What the database itself holds of keeping: nothing deleted, no change without its correction.

Nor does a part stand whose whole is withdrawn. One thing goes past the first two: an erasure that a patient
asked for, while its row says that it is in hand. Nobody but the transaction that erases ever sees a row that
says so, since it takes that back before it ends: PostgreSQL refuses to commit one. SQLite has no rule for the
end of a transaction; there registry.rights.erasing alone sees to it, and no other writes meanwhile.
"""

from collections.abc import Iterator

from django.apps import apps

from registry.models.cross_rules import ON_UPDATE, CrossRule
from registry.models.keeping import Correction, Kept
from registry.models.rights import Erasure

BEFORE_SIGNING = "Before signing"


_ERASURE = Erasure._meta.db_table
_NOT_ERASING = f"NOT EXISTS (SELECT 1 FROM {_ERASURE} x WHERE x.in_hand)"


def kept_models() -> list[type[Kept]]:
    return [model for model in apps.get_app_config("registry").get_models() if issubclass(model, Kept)]


def history_rules() -> list[CrossRule]:
    """The rules of every table of the record, derived from its model."""
    return [rule for model in kept_models() for rule in (*_of_row(model), *_of_parts(model))] + [
        *_of_corrections(),
        *_of_erasures(),
    ]


def _of_row(model: type[Kept]) -> Iterator[CrossRule]:
    table = model._meta.db_table
    said = (
        f"SELECT 1 FROM {Correction._meta.db_table} c "
        f"WHERE c.row_table = '{table}' AND c.row_id = NEW.id AND c.version = NEW.version"
    )
    yield CrossRule(
        f"{table}_keeps_history",
        table,
        f"(NEW.version <> OLD.version + 1 OR NOT EXISTS ({said})) AND {_NOT_ERASING}",
        "a change needs its correction: who, when, what and why",
        ON_UPDATE,
        of_standing_rows=False,
    )
    yield _never_deleted(table)


def _of_parts(model: type[Kept]) -> Iterator[CrossRule]:
    table = model._meta.db_table
    for name in model.PART_OF:
        column = model._meta.get_field(name).column  # type: ignore[union-attr]
        whole = model._meta.get_field(name).related_model._meta.db_table  # type: ignore[union-attr]
        yield CrossRule(
            f"{table}_stands_with_{name}",
            table,
            f"EXISTS (SELECT 1 FROM {whole} w WHERE w.id = NEW.{column} AND w.withdrawn_at IS NOT NULL)",
            f"the {name} of this row is withdrawn",
        )
        yield CrossRule(
            f"{whole}_takes_along_{table.removeprefix('registry_')}",
            whole,
            f"NEW.withdrawn_at IS NOT NULL AND EXISTS "
            f"(SELECT 1 FROM {table} p WHERE p.{column} = NEW.id AND p.withdrawn_at IS NULL)",
            f"a {table.removeprefix('registry_')} of it still stands",
            ON_UPDATE,
            of_standing_rows=False,
        )


def _of_corrections() -> list[CrossRule]:
    table = Correction._meta.db_table
    signed = (
        "SELECT 1 FROM registry_indexprocedure p WHERE NEW.entry_table = 'registry_indexprocedure' "
        "AND p.id = NEW.entry_id AND p.signed_at IS NOT NULL"
    )
    return [
        CrossRule(
            f"{table}_stays_as_written",
            table,
            _NOT_ERASING,
            "what was corrected stays as it was written",
            ON_UPDATE,
            of_standing_rows=False,
        ),
        CrossRule(
            f"{table}_of_signed_note_has_reason",
            table,
            f"NEW.reason = '{BEFORE_SIGNING}' AND EXISTS ({signed})",
            "a signed operation note is corrected with a reason",
            ("INSERT",),
            of_standing_rows=False,
        ),
        _never_deleted(table),
    ]


def _of_erasures() -> list[CrossRule]:
    """What was erased stays noted: of its row nothing changes but that it is done with."""
    kept = (
        "id",
        "uuid",
        "unit_id",
        "patient_uuid",
        "asked_on",
        "erased_at",
        "by_id",
        "reason",
        "keeps_outcome",
    )
    changed = " OR ".join(f"NEW.{column} <> OLD.{column}" for column in kept)
    return [
        CrossRule(
            f"{_ERASURE}_stays_as_written",
            _ERASURE,
            f"NOT OLD.in_hand OR {changed}",
            "an erasure stays as it was written",
            ON_UPDATE,
            of_standing_rows=False,
        ),
        CrossRule(
            f"{_ERASURE}_is_never_deleted",
            _ERASURE,
            "1 = 1",
            "an erasure stays as it was written",
            ("DELETE",),
            of_standing_rows=False,
        ),
        CrossRule(
            f"{_ERASURE}_ends_with_its_transaction",
            _ERASURE,
            f"EXISTS (SELECT 1 FROM {_ERASURE} x WHERE x.id = NEW.id AND x.in_hand)",
            "an erasure that is in hand ends before its transaction does",
            of_standing_rows=False,
            at_commit=True,
        ),
    ]


def _never_deleted(table: str) -> CrossRule:
    return CrossRule(
        f"{table}_is_never_deleted",
        table,
        _NOT_ERASING,
        "nothing of the record is deleted: withdraw it with a reason",
        ("DELETE",),
        of_standing_rows=False,
    )

# ruff: noqa: S608 - every name in this SQL is a table or column of the models
"""What the database itself holds of ledger, briefings and cohort versions: written once, never changed."""

from collections.abc import Iterator
from typing import Any

from registry.models import triggers
from registry.models.cross_rules import ON_UPDATE, TRUNCATE, CrossRule

LEDGER, BRIEFING, VERSION = "outcomes_ledgerentry", "outcomes_briefing", "outcomes_cohortversion"


def rules() -> Iterator[CrossRule]:
    """Every rule of this app; a dropped cohort takes its versions along."""
    for table in (LEDGER, BRIEFING, VERSION):
        yield _rule(f"{table}_stays_as_written", table, "NEW.id = NEW.id", "it stays as written", ON_UPDATE)
    for table in (LEDGER, BRIEFING):
        yield _rule(f"{table}_is_never_deleted", table, "1 = 1", "it is never deleted", ("DELETE",))
        yield _rule(f"{table}_is_never_emptied", table, "1 = 1", "it is never deleted", (TRUNCATE,))
    follows = f"SELECT 1 FROM {LEDGER} p WHERE p.number = NEW.number - 1 AND p.own_hash = NEW.previous_hash"
    yield _rule(
        f"{LEDGER}_follows_the_last",
        LEDGER,
        f"NEW.number <> 1 AND NOT EXISTS ({follows})",
        "an entry follows the last one, by number and hash",
        ("INSERT",),
    )


def install(using: str, **_: Any) -> None:
    """Put the rules into a database whose tables are today's."""
    triggers.put(using, "outcomes", rules())


def _rule(name: str, table: str, wrong: str, message: str, verbs: tuple[str, ...]) -> CrossRule:
    return CrossRule(name, table, wrong, message, verbs, of_standing_rows=False)

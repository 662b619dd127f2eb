"""The way of stories into the record: all of them or none."""

from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import closing
from datetime import date
from functools import partial
from itertools import chain

from django.db import transaction

from registry import bulk
from registry.demo.batches import Batch, Order, batches, part_in_batches
from registry.demo.cast import Cast
from registry.demo.mending import mend
from registry.demo.people import Passwords, take_in
from registry.demo.processes import cores, in_order
from registry.demo.rows import TABLES, Rows, last_keys
from registry.demo.scenario import Scenario
from registry.demo.story import PatientStory

Progress = Callable[[int], None]
# Sizes are noted each time the record has grown so many times.
NOTED_AT_GROWTH = 4


@transaction.atomic
def load(
    stories: Iterable[PatientStory],
    cast: Cast,
    until: date,
    passwords: Passwords,
    progress: Progress | None = None,
) -> Counter[str]:
    """Record the cast and every story, and put right what was mistyped in them.

    Memory holds PATIENTS_AT_ONCE of them at a time.

    Parameters
    ----------
    stories
        As `generate` tells them, closing on `until`.
    passwords
        Password of each account by its username: a mapping, or something to call.
    progress
        Called with the number of patients written so far.

    Returns
    -------
    Rows written by table name.

    Raises
    ------
    registry.demo.people.AlreadyThere
        The record holds someone of the cast already; nothing was written.
    """
    rows = Rows(take_in(cast, until, passwords), last_keys())
    return _write(batches(stories, rows, bulk.takes_copy()), progress)


def load_scenario(
    scenario: Scenario,
    cast: Cast,
    passwords: Passwords,
    progress: Progress | None = None,
    processes: int | None = None,
) -> Counter[str]:
    """As `load`, all stories of a scenario; those of several parts are told by several processes.

    What is recorded does not depend on how many they are. Each holds one part at a time.

    Parameters
    ----------
    processes
        As many as there are cores, if not given.

    Raises
    ------
    registry.demo.processes.BrokenOff
        One of the processes failed; nothing was written.
    """
    if len(scenario.parts) < 2:
        return load(
            chain.from_iterable(map(scenario.part, scenario.parts)), cast, scenario.until, passwords, progress
        )
    return _load_parts(scenario, cast, passwords, progress, processes or cores())


@transaction.atomic
def _load_parts(
    scenario: Scenario, cast: Cast, passwords: Passwords, progress: Progress | None, processes: int
) -> Counter[str]:
    order = Order(scenario, take_in(cast, scenario.until, passwords), last_keys(), bulk.takes_copy())
    with closing(in_order(partial(part_in_batches, order), scenario.parts, processes)) as parts:
        return _write(chain.from_iterable(parts), progress)


def _write(told: Iterable[Batch], progress: Progress | None) -> Counter[str]:
    """What was mistyped is put right batch by batch, as it would have been over the years."""
    bulk.check_at_once()
    written, noted = Counter[str](), 0
    for batch in told:
        for table in batch.tables:
            bulk.put(table)
            written[table.table.__name__] += table.number
        if written["Patient"] > noted * NOTED_AT_GROWTH:
            # No trigger keeps the plan that it made for an empty table.
            bulk.note_sizes(TABLES)
            noted = written["Patient"]
        for each in batch.mends:
            mend(each)
        if progress:
            progress(written["Patient"])
    bulk.reset_sequences(TABLES)
    bulk.note_sizes(TABLES)
    return written

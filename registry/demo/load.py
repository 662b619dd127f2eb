"""The way of stories into the record: all of them or none."""

from collections import Counter
from collections.abc import Callable, Iterable
from datetime import date
from itertools import islice

from django.db import transaction

from registry import bulk
from registry.demo.cast import Cast
from registry.demo.mending import mend
from registry.demo.people import Passwords, take_in
from registry.demo.rows import TABLES, Rows
from registry.demo.story import PatientStory

PATIENTS_AT_ONCE = 500


@transaction.atomic
def load(
    stories: Iterable[PatientStory],
    cast: Cast,
    until: date,
    passwords: Passwords,
    progress: Callable[[int], None] | None = None,
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
    rows, written = Rows(take_in(cast, until, passwords)), Counter[str]()
    told = iter(stories)
    while chunk := list(islice(told, PATIENTS_AT_ONCE)):
        for story in chunk:
            rows.tell(story)
        for table, table_rows in rows.take().items():
            bulk.write(table, table_rows)
            written[table.__name__] += len(table_rows)
        if progress:
            progress(written["Patient"])
    bulk.reset_sequences(TABLES)
    bulk.note_sizes(TABLES)
    for each in rows.mends:
        mend(each)
    return written

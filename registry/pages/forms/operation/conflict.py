"""Two people at one operation: the second gets both versions on one page, and nothing either did is lost."""

from collections.abc import Mapping

from django.http import QueryDict

from registry.pages.corrections import with_theirs
from registry.pages.forms.operation.base import as_sent
from registry.pages.forms.operation.card import TearCard
from registry.pages.forms.operation.entry import OperationEntry, Setting
from registry.pages.forms.operation.rows import (
    KNOWN,
    ROW,
    implants_in,
    numbered,
    passes_in,
    row_key,
    tears_in,
)
from registry.recording import ChangedMeanwhile


def merged(setting: Setting, posted: QueryDict, met: ChangedMeanwhile) -> QueryDict:
    """What was sent, with what the others changed and added meanwhile.

    A row that they added is put on the page, so that sending it again does not take it out; one that they
    took out stands there as a new one.
    """
    now = OperationEntry.opened(setting)
    typed = with_theirs(posted, OperationEntry.sent(setting, posted).forms, met)
    known = set(posted.getlist(KNOWN))
    mine = {row_key(posted, f"tear-{number}"): number for number in tears_in(posted)}
    for card in now.cards:
        if card.row and f"tear-{card.row}" not in known:
            _add_card(typed, card)
        elif card.row in mine:
            _add_passes(typed, card, mine[card.row], known)
    _add_implants(typed, now, known)
    typed.setlist(KNOWN, now.known_rows)
    return typed


def _add_card(typed: QueryDict, card: TearCard) -> None:
    number = max(tears_in(typed)) + 1
    for form in (card.tear, card.repair):
        typed.update(numbered(as_sent(form), number))
    typed[f"tear-{number}-{ROW}"] = str(card.row)
    _add_passes(typed, card, number, set())


def _add_passes(typed: QueryDict, card: TearCard, number: int, known: set[str]) -> None:
    for form in card.passes:
        if form.instance.pk and f"pass-{form.instance.pk}" not in known:
            place = max(passes_in(typed, number), default=0) + 1
            _put(typed, f"pass-{number}-{place}", form.prefix, as_sent(form), form.instance.pk)


def _add_implants(typed: QueryDict, now: OperationEntry, known: set[str]) -> None:
    for form in now.implants:
        if f"implant-{form.instance.pk}" not in known:
            number = max(implants_in(typed), default=0) + 1
            _put(typed, f"implant-{number}", form.prefix, as_sent(form), form.instance.pk)


def _put(typed: QueryDict, prefix: str, prefix_now: str | None, sent: Mapping[str, str], key: int) -> None:
    for name, value in sent.items():
        typed[prefix + name.removeprefix(str(prefix_now))] = value
    typed[f"{prefix}-{ROW}"] = str(key)

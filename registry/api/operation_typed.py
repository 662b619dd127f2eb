"""An operation's body as the forms of its page are sent, and what they refuse, at its place in the body."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from django.http import QueryDict

from registry.access import surgeons_of
from registry.api.asking import Placed, asked, refused_by
from registry.api.problems import Problem, invalid
from registry.api.serializing import fields_of
from registry.models import Knee
from registry.pages.forms.operation.base import as_sent
from registry.pages.forms.operation.card import TearCard
from registry.pages.forms.operation.entry import OperationEntry, Setting
from registry.pages.forms.operation.patient import KnownKneeForm
from registry.pages.forms.operation.procedure import SURGEONS, ProcedureForm
from registry.pages.forms.operation.questions import ASKED
from registry.pages.forms.operation.repairs import RepairForm
from registry.pages.forms.operation.rows import KNOWN, ROW
from registry.pages.forms.operation.tears import ReturnField, TearForm
from registry.pages.tears import repaired_before

Said = Mapping[str, Any]
Build = Callable[[QueryDict], OperationEntry]
# The forms of an entry, and where each stands in the body.
Places = Callable[[OperationEntry], Iterator[Placed]]


class FirstOperationForm(KnownKneeForm):
    """The first operation on a knee of a patient on record: the knee comes on record with it."""

    def rows(self) -> list[Any]:
        return [self.knee]


def entry_of(setting: Setting, knee: Knee, typed: QueryDict) -> OperationEntry:
    """The forms of an operation on a knee, which may be new."""
    entry = OperationEntry.sent(setting, typed)
    if knee._state.adding:
        entry.patient = FirstOperationForm(setting.units, knee, typed, prefix="patient")
    return entry


def typed_whole(setting: Setting, said: Said) -> QueryDict:
    """What a browser would send of a page filled in so."""
    typed = QueryDict(mutable=True)
    put_operation(typed, setting, said)
    for number, tear in enumerate(said["standing_tears"], start=1):
        put_tear(typed, setting, number, tear, f"/tears/{number - 1}")
    return typed


def typed_as_recorded(setting: Setting) -> QueryDict:
    """What a browser would send of the page of an operation on record, left as it came."""
    entry = OperationEntry.opened(setting)
    typed = QueryDict(mutable=True)
    for form in (*entry.forms, entry.answers):
        for name, value in as_sent(form).items():
            typed[name] = value
    rows = [form for card in entry.cards for form in (card.tear, *card.passes)]
    for form in (*rows, *entry.implants):
        if form.instance.pk:
            typed[f"{form.prefix}-{ROW}"] = str(form.instance.pk)
    typed.setlist(KNOWN, entry.known_rows)
    # What was left without an answer then is not asked again, unless it reads differently by now.
    typed.setlist(ASKED, entry.answers.names)
    return typed


def put_operation(typed: QueryDict, setting: Setting, said: Said) -> None:
    """The operation's own fields, its implants and its planned aftercare, as far as they are said."""
    own = {name: said[name] for name in fields_of(ProcedureForm) if name in said}
    _put(typed, "operation", {**own, **_surgeons(setting, said)})
    if "standing_implants" in said:
        clear(typed, "implant-")
        for number, implant in enumerate(said["standing_implants"], start=1):
            _put(typed, f"implant-{number}", implant)
    if "planned_rehabilitation" in said:
        clear(typed, "planned-")
        _put(typed, "planned", said["planned_rehabilitation"] or {})


def put_tear(typed: QueryDict, setting: Setting, number: int, said: Said, at: str) -> None:
    """One tear with its repair; passes that are said take the place of those before."""
    _put(typed, f"tear-{number}", {name: said[name] for name in fields_of(TearForm) if name in said})
    if "revises" in said:
        typed[f"tear-{number}-revises"] = _revised(setting, said["revises"]["uuid"], f"{at}/revises")
    repair = said.get("standing_repair") or {}
    _put(typed, f"repair-{number}", {name: repair[name] for name in fields_of(RepairForm) if name in repair})
    if "standing_passes" in repair:
        clear(typed, f"pass-{number}-")
        for place, each in enumerate(repair["standing_passes"], start=1):
            _put(typed, f"pass-{number}-{place}", each)


def answered(build: Build, typed: QueryDict, answers: Sequence[Said]) -> OperationEntry:
    """The forms with the answers to what they ask; an empty answer leaves a question without one."""
    if not answers:
        return build(typed)
    # Only once the values are read is it known what is asked.
    asking = build(typed)
    marks = dict(
        zip(((each.code, each.tear) for each in asking.questions), asking.answers.names, strict=True)
    )
    for place, answer in enumerate(answers):
        mark = marks.get((answer["code"], answer.get("tear_number")))
        if mark is None:
            words = "Nothing of this code is asked about that. Leave the answer out."
            raise invalid([Problem(f"/answers/{place}/code", words, answer["code"])])
        typed.appendlist(ASKED, mark)
        name = mark.rpartition("-")[0]
        typed.pop(f"answer-{name}-confirmed", None)
        typed[f"answer-{name}"] = answer["answer"]
    return build(typed)


def refuse_unless_sound(
    entry: OperationEntry, sent: Any, places: Callable[[OperationEntry], Iterator[Placed]]
) -> None:
    """Refuse what the forms want mended, else what they ask."""
    sound = entry.is_valid()
    if not entry.answers.is_valid() or not sound:
        raise refused_by(places(entry), sent)
    if not entry.answers.is_settled:
        raise asked((question, {"tear_number": question.tear}) for question in entry.answers.open_questions)


def places(entry: OperationEntry) -> Iterator[Placed]:
    """The forms of a whole operation and where each stands in its body."""
    yield entry.patient, "", {}
    yield entry.procedure, "", {}
    for place, card in enumerate(entry.cards):
        yield from places_of(card, f"/tears/{place}")
    for place, implant in enumerate(entry.implants):
        yield implant, f"/implants/{place}", {}
    yield entry.rehabilitation, "/planned_rehabilitation", {}
    yield entry.answers, "/answers", {}


def places_of(card: TearCard, at: str) -> Iterator[Placed]:
    """The forms of one tear below a pointer."""
    yield card.tear, at, {}
    if card.tear.says_repaired:
        yield card.repair, f"{at}/repair", {}
        for place, each in enumerate(card.passes):
            yield each, f"{at}/repair/passes/{place}", {}


def clear(typed: QueryDict, prefix: str) -> None:
    """Take out everything that is typed under names that begin so."""
    for name in [each for each in typed if each.startswith(prefix)]:
        del typed[name]


def _put(typed: QueryDict, prefix: str, values: Said) -> None:
    for name, value in values.items():
        typed[f"{prefix}-{name}"] = value


def _surgeons(setting: Setting, said: Said) -> dict[str, Any]:
    """Surgeons by key, from the codes that are said."""
    codes = {name: said[name]["code"] for name in SURGEONS if name in said}
    known = dict(
        surgeons_of(setting.units).filter(code__in=[*filter(None, codes.values())]).values_list("code", "pk")
    )
    words = "No surgeon of your units has this code. Correct it."
    if unknown := [name for name, code in codes.items() if code and code not in known]:
        raise invalid(Problem(f"/{name}", words, codes[name]) for name in unknown)
    return {name: known.get(code, "") for name, code in codes.items()}


def _revised(setting: Setting, uuid: Any, pointer: str) -> str:
    """The tear that returned, as its control sends it."""
    if uuid is None:
        return ReturnField.NEW
    earlier = {tear.uuid: tear.pk for tear, _ in repaired_before(setting.knee)} if setting.knee else {}
    if uuid not in earlier:
        words = "This is no tear of the knee that was repaired before. Take one of its operations' tears."
        raise invalid([Problem(pointer, words, str(uuid))])
    return str(earlier[uuid])

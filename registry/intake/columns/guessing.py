"""What the columns of a file probably mean: by name and by content, or as it was said the last time. Pure.

A guess needs good evidence, and no two columns share a target; what is doubtful stays open.
"""

from collections.abc import Iterable, Sequence
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, replace
from datetime import date
from typing import NamedTuple

from django.utils import timezone

from registry.intake.columns import content, quantities
from registry.intake.columns.headers import LOOKED_THROUGH, Header, header_at, header_digest, header_of
from registry.intake.columns.known import Known
from registry.intake.columns.mapping import Column, DateOrder, Mapping, SheetMapping, plain
from registry.intake.columns.naming import (
    CONTAINED,
    EXACT,
    PART_ALONE,
    Meaning,
    is_only_a_part,
    meanings,
    number_in,
    unit_in,
)
from registry.intake.columns.rows import rows_of
from registry.intake.columns.synonyms import PART_WORDS
from registry.intake.columns.targets import MOST_TEARS, TARGETS, Kind, Target, rooted
from registry.intake.columns.unclear import Unclear
from registry.intake.columns.value_words import MALE_ONLY_IN_SPANISH
from registry.intake.columns.values import code_of, distinct, pieces, says_nothing, yes_or_no
from registry.intake.columns.words import typed, worded
from registry.intake.file.sheet import Sheet, Value

__all__ = ["guess", "header_digest", "remembered_header"]

_MOST_READ = 300  # different values of a column; more tell nothing new
_FEW_VALUES = 12  # a column of a coded list has no more, so that asking what they mean is no burden
_WHOSE = {"patient.hospital_number", "knee.side"}  # a sheet that tells no more is of no use
_SEEN_BY_CONTENT = ("knee.side", "patient.sex", "tear1.place", "tear1.pattern", "repair1.techniques")


def guess(
    sheets: Sequence[Sheet], known: Known, remembered: MappingOf[str, SheetMapping] | None = None
) -> Mapping:
    """A mapping of every sheet. `remembered` leads the digest of a header to what was said of it before."""
    today = timezone.now().date()
    return Mapping(tuple(_of_sheet(sheet, known, remembered or {}, today) for sheet in sheets))


def remembered_header(sheet: Sheet, remembered: MappingOf[str, SheetMapping]) -> str | None:
    """The digest under which a sheet's header is remembered, None where it is not."""
    found = _remembered(sheet, remembered)
    return header_digest(sheet, found) if found else None


def _remembered(sheet: Sheet, remembered: MappingOf[str, SheetMapping]) -> int:
    """The header row that is remembered, whatever would be found now; 0 where none is."""
    rows = range(1, min(LOOKED_THROUGH, len(sheet.rows)) + 1) if remembered else ()
    return next((row for row in rows if header_digest(sheet, row) in remembered), 0)


def _of_sheet(
    sheet: Sheet, known: Known, remembered: MappingOf[str, SheetMapping], today: date
) -> SheetMapping:
    known_row = _remembered(sheet, remembered)
    header = header_at(sheet, known_row) if known_row else header_of(sheet)
    rows = [cells for _, cells in rows_of(sheet, header.row)]
    seen = [_Seen.of(rows, header, place, known, today) for place in range(sheet.width)]
    before = remembered[header_digest(sheet, known_row)] if known_row else None
    if before and len(before.columns) == len(seen):
        columns = tuple(_again(each, column) for each, column in zip(seen, before.columns, strict=True))
        return replace(before, sheet=sheet.name, header_row=header.row, columns=columns)
    targets = _assigned(seen, sheet.name)
    columns = tuple(_column(each, targets.get(each.place)) for each in seen)
    keys = {target.key for target in targets.values()}
    return SheetMapping(sheet.name, len(keys) > 1 and not keys <= _WHOSE, header.row, columns)


def _again(seen: "_Seen", before: Column) -> Column:
    """A column as it was said before, but for an order of dates that its values now contradict."""
    certain = content.certain_orders(seen.values, seen.today)
    order = before.date_order if not certain or certain[before.date_order] else DateOrder.UNSAID
    return replace(
        before,
        place=seen.place,
        header=seen.header.text(seen.place),
        target=before.target if before.target in TARGETS else DateOrder.UNSAID,
        date_order=order,
    )


# --- which target ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Seen:
    """A column with its different values."""

    place: int
    header: Header
    values: content.Counts
    known: Known
    today: date

    @classmethod
    def of(
        cls, rows: Sequence[Sequence[Value]], header: Header, place: int, known: Known, today: date
    ) -> "_Seen":
        return cls(place, header, distinct(cells[place] for cells in rows), known, today)

    @property
    def name(self) -> str:
        return self.header.names[self.place]

    @property
    def commonest(self) -> content.Counts:
        """As many of its values as tell what it is."""
        return self.values[:_MOST_READ]

    def meanings(self, context: str) -> tuple[Meaning, ...]:
        return meanings(self.name, self.header.headings[self.place], context)

    def readable(self, target: Target) -> float:
        """The share of its different values that a target can take; 1 where it has none."""
        told = [value for value, _ in self.commonest if not says_nothing(value, target)]
        return sum(self._suits(value, target) for value in told) / len(told) if told else 1.0

    def _suits(self, value: Value, target: Target) -> bool:
        kind = target.kind
        if kind in (Kind.DATE, Kind.YEAR):
            return content.is_a_date(value, self.today)
        if kind in (Kind.WHOLE, Kind.DECIMAL, Kind.REFUSED):
            return _is_a_number(value, target)
        if kind is Kind.CODES:
            return all(code_of(piece, target) for piece in pieces(value, target))
        if kind is Kind.CODE:
            return code_of(value, target) is not None
        return _suits_words(value, target, self.known)


def _suits_words(value: Value, target: Target, known: Known) -> bool:
    if target.kind is Kind.YES_NO:
        return yes_or_no(value) is not None
    if target.kind is Kind.SURGEON:
        return known.surgeon(typed(value)) is not None
    if target.key == "patient.email":
        return "@" in typed(value)
    return target.key in ("patient.hospital_number", "patient.phone") or isinstance(value, str)


def _is_a_number(value: Value, target: Target) -> bool:
    try:
        quantities.readings(value if target.unit else quantities.grade(value))
    except Unclear:
        return False
    return True


class _Claim(NamedTuple):
    """One column's claim to a target: the surer goes first, then the one further left."""

    score: float
    place: int
    meaning: Meaning
    name: str


def _assigned(seen: Sequence[_Seen], sheet: str) -> dict[int, Target]:
    """Targets by place: first by names, then, for those still open, by what the sheet is about."""
    given = _given(_claims(seen, sheet), {})
    about = _about(given.values())
    still_open = [each for each in seen if each.place not in given]
    if about:
        given |= _given(_claims(still_open, PART_WORDS[about].split(",")[0]), given)
    return given | _given(_by_content(each for each in still_open if each.place not in given), given)


def _claims(seen: Iterable[_Seen], context: str) -> list[_Claim]:
    claims = []
    for each in seen:
        for meaning in each.meanings(context):
            share = each.readable(meaning.target)
            if share >= _least_share(each, meaning):
                claims.append(_Claim(meaning.strength + share, each.place, meaning, worded(each.name)))
    return claims


def _least_share(seen: _Seen, meaning: Meaning) -> float:
    """The share of values that has to be readable before a name is believed."""
    if meaning.strength <= CONTAINED:
        return 0.8
    kind = meaning.target.kind
    if kind in (Kind.CODE, Kind.CODES, Kind.YES_NO, Kind.SURGEON) and meaning.strength >= EXACT:
        few = len(seen.values) <= _FEW_VALUES
        words = not any(content.is_a_date(value, seen.today) for value, _ in seen.commonest)
        return 0.0 if words and (few or kind is Kind.SURGEON) else 0.3
    return 0.5


def _given(claims: Iterable[_Claim], before: MappingOf[int, Target]) -> dict[int, Target]:
    """The surest claims that do not collide. Two columns of one name both get nothing, but for tears."""
    taken = {target.key: "" for target in before.values()}
    given: dict[int, Target] = {}
    claims = sorted(claims, key=lambda claim: (-claim.score, claim.place))
    shared = _shared(claims)
    for claim in claims:
        target = _free(claim, taken)
        if claim.place in given or target is None or claim.meaning.target.key in shared:
            continue
        given[claim.place] = target
        taken[target.key] = claim.name
    return given


def _shared(claims: Sequence[_Claim]) -> set[str]:
    """Targets that two columns of one name claim alike; a tear's go to its number in turn instead."""
    seen: dict[tuple[str, str], int] = {}
    shared = set()
    for claim in claims:
        target = claim.meaning.target
        other = seen.setdefault((target.key, claim.name), claim.place)
        if other != claim.place and (claim.meaning.is_counted or target.root == target.key):
            shared.add(target.key)
    return shared


def _free(claim: _Claim, taken: MappingOf[str, str]) -> Target | None:
    """The claimed target, or that of the next tear where one of the same name came before."""
    target = claim.meaning.target
    if target.key not in taken:
        return target
    if claim.meaning.is_counted or target.root == target.key:
        return None
    for number in range(2, MOST_TEARS + 1):
        if taken.get(_at(target, number - 1)) != claim.name:
            return None
        if _at(target, number) not in taken:
            return TARGETS[_at(target, number)]
    return None


def _at(target: Target, number: int) -> str:
    return f"{rooted(target.part)}{number}.{target.key.partition('.')[2]}"


def _about(targets: Iterable[Target]) -> str:
    """The one thing that the dates of a sheet are of: its operation, or one kind of event; "" if unclear."""
    parts = {rooted(target.part) for target in targets} - {"patient", "knee"}
    events = {"operation" if part in ("tear", "repair", "passes") else part for part in parts}
    return events.pop() if len(events) == 1 else ""


def _by_content(seen: Iterable[_Seen]) -> list[_Claim]:
    """Columns called no more than "Tear 2", or nothing, whose values are all words of one list."""
    claims = []
    for each in seen:
        if each.name and not is_only_a_part(each.name):
            continue
        number = number_in(each.name) or 1
        keys = [key.replace("1.", f"{number}.") for key in _SEEN_BY_CONTENT]
        suiting = [TARGETS[key] for key in keys if _tells_alone(each, TARGETS[key])]
        if len(suiting) == 1:
            claims.append(_Claim(PART_ALONE, each.place, Meaning(suiting[0], PART_ALONE, True), each.name))
    return claims


def _tells_alone(seen: _Seen, target: Target) -> bool:
    words = [value for value, _ in seen.commonest if not says_nothing(value, target)]
    codes = {code for value in words for piece in pieces(value, target) if (code := code_of(piece, target))}
    return len(codes) > (not seen.name) and seen.readable(target) == 1.0


# --- how its values are written ---------------------------------------------------------------------


def _column(seen: _Seen, target: Target | None) -> Column:
    column = Column(seen.place, seen.header.text(seen.place))
    if target is None:
        return column
    return replace(
        column,
        target=target.key,
        unit=_unit(seen, target),
        date_order=content.date_order(seen.values, seen.today)
        if target.kind is Kind.DATE
        else DateOrder.UNSAID,
        decimal=content.decimal_sign(seen.values) if target.kind is Kind.DECIMAL else "",
        meanings=_meanings(seen, target),
    )


def _unit(seen: _Seen, target: Target) -> str:
    """The unit in its name, or the only one in which its values are possible."""
    named = unit_in(seen.name)
    if named in quantities.units_of(target):
        return named
    fitting = content.units_that_fit(seen.values, target) if target.unit else ()
    return fitting[0] if len(fitting) == 1 else ""


def _meanings(seen: _Seen, target: Target) -> dict[str, str]:
    """What only the values beside it settle: "m" beside "h", "am" beside "im", a minus beside a plus."""
    words = {plain(typed(value)) for value, _ in seen.values}
    if target.key == "patient.sex" and "m" in words and words & MALE_ONLY_IN_SPANISH:
        return {"m": "female"}
    if target.root == "tear.meniscus" and {"im", "am"} <= words:  # German: inner and outer
        return {"am": "lateral"}
    if target.kind is Kind.YES_NO and {"+", "-"} <= words:
        return {"-": "no"}
    return {}

"""One tear on the page: the tear as found, its repair, and the suture passes of that."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from registry.models import IndexProcedure, Repair, SuturePass, Tear
from registry.models.repairs import TECHNIQUE_FIELDS
from registry.pages.forms.base import Spoken
from registry.pages.forms.operation.base import Posted
from registry.pages.forms.operation.recorded import Recorded
from registry.pages.forms.operation.repairs import PassForm, RepairForm
from registry.pages.forms.operation.rows import passes_in, row_key
from registry.pages.forms.operation.tears import TearForm
from registry.pages.forms.saving import Entry
from registry.pages.tears import Offered
from registry.tear_map import Mark
from registry.vocabulary import REPAIRED_TREATMENTS, Pattern, Treatment


@dataclass
class TearCard:
    """A card left as it came is no tear, unless it is the first."""

    number: int
    tear: TearForm
    repair: RepairForm
    passes: list[PassForm]

    @property
    def row(self) -> int | None:
        """The key of the tear on record that this card stands for."""
        key: int | None = self.tear.instance.pk
        return key

    @property
    def forms(self) -> list[Spoken]:
        return [self.tear, self.repair, *self.passes]

    @property
    def is_used(self) -> bool:
        filled = self.tear.is_bound and any(form.has_changed() for form in self.forms)
        return self.number == 1 or filled or self.row is not None

    @property
    def said_passes(self) -> list[PassForm]:
        """The rows of passes filled in, of a repair that was made."""
        if not self.tear.says_repaired:
            return []
        return [each for each in self.passes if each.instance.pk or each.has_changed()]

    def is_valid(self) -> bool:
        self.tear.empty_permitted = not self.is_used
        if not self.tear.says_repaired:
            return self.tear.is_valid() and self._has_no_repair()
        # A tear said to be repaired owes a technique.
        self.repair.empty_permitted = False
        for each in self.passes:
            each.empty_permitted = each.instance.pk is None
        return all([form.is_valid() for form in self.forms])

    def _has_no_repair(self) -> bool:
        """Whether no technique is ticked of a tear not repaired; one on record goes with the correction."""
        ticked = any(self.repair[name].value() for name in TECHNIQUE_FIELDS)
        if self.repair.instance.pk or not ticked:
            return True
        done = Treatment(self.tear.cleaned_data["treatment"]).label
        self.tear.add_error(
            "treatment",
            f"This tear is marked '{done}', so it has no repair. Mark it repaired or part repaired, or "
            "untick its technique.",
        )
        return False

    @property
    def checked(self) -> list[Spoken]:
        """The forms that count: without a repair, those of the repair are not shown."""
        return self.forms if self.tear.says_repaired else [self.tear]

    def entries(self, procedure: IndexProcedure) -> list[Entry]:
        """Form and row, the tear before its repair before its passes."""
        if not self.is_used:
            return []
        self.tear.instance.procedure = procedure
        entries: list[Entry] = [(self.tear, self.tear.instance)]
        if self.tear.says_repaired:
            self.repair.instance.tear = self.tear.instance
            entries.append((self.repair, self.repair.instance))
        for each in self.said_passes:
            each.instance.repair = self.repair.instance
            entries.append((each, each.instance))
        return entries

    @property
    def values(self) -> dict[str, Any]:
        """The tear as far as it is entered."""
        return self.tear.values

    @property
    def repair_values(self) -> dict[str, Any]:
        return self.repair.values if self.says_repaired_so_far else {}

    @property
    def pass_values(self) -> list[dict[str, Any]]:
        return [each.values for each in self.passes] if self.says_repaired_so_far else []

    @property
    def mark(self) -> Mark | None:
        """Its place on the tear map, once it is known."""
        said = self.values
        if not (said.get("meniscus") and said.get("map_step")):
            return None
        label = Pattern(said["pattern"]).label if said.get("pattern") else "tear"
        return Mark(self.number, said["meniscus"], said["map_step"], said.get("rim_zone"), label, "found")

    @property
    def says_repaired_so_far(self) -> bool:
        return self.values.get("treatment") in REPAIRED_TREATMENTS


def cards(
    numbers: list[int], typed: Posted, posted: Posted, recorded: Recorded, earlier: Offered
) -> Iterator[TearCard]:
    """The cards of what was typed; without that, of the tears on record, or one empty card."""
    if typed is not None:
        for number in numbers:
            tear = recorded.tears.get(row_key(typed, f"tear-{number}") or 0)
            rows = {place: row_key(typed, f"pass-{number}-{place}") for place in passes_in(typed, number)}
            yield _card(number, tear, rows, posted, recorded, earlier)
        return
    for number, found in enumerate([*recorded.tears.values()] or [None], start=1):
        known = recorded.passes.get(found.pk, {}) if found else {0: None}
        yield _card(number, found, dict(enumerate(known, start=1)), posted, recorded, earlier)


def _card(
    number: int,
    tear: Tear | None,
    rows: dict[int, int | None],
    posted: Posted,
    recorded: Recorded,
    earlier: Offered,
) -> TearCard:
    key = tear.pk if tear else 0
    tear_form = TearForm(earlier, posted, instance=tear or Tear(), **_named(f"tear-{number}"))
    repair_form = RepairForm(
        tear_form, posted, instance=recorded.repairs.get(key) or Repair(), **_named(f"repair-{number}")
    )
    known = recorded.passes.get(key, {})
    passes = [
        PassForm(posted, instance=known.get(row or 0) or SuturePass(), **_named(f"pass-{number}-{place}"))
        for place, row in rows.items()
    ]
    tear_form.title, repair_form.title = f"Tear {number}", f"Repair of tear {number}"
    for place, each in zip(rows, passes, strict=True):
        each.title = f"Passes {place} of tear {number}"
    return TearCard(number, tear_form, repair_form, passes)


def _named(prefix: str) -> dict[str, Any]:
    return {"prefix": prefix, "empty_permitted": True, "use_required_attribute": False}

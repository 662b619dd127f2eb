"""A named cohort as one reader may use it: in words of the units they see, with the ways to open it."""

from dataclasses import dataclass, field, replace
from typing import Any, Self
from urllib.parse import urlencode

from django import forms
from django.db.models import Prefetch, Q, QuerySet
from django.urls import reverse

from outcomes.cohort import Cohort, UnknownFilterError
from outcomes.definitions import definitions_for
from outcomes.failure import REOPERATION, FailureDefinition
from outcomes.models import CohortVersion, NamedCohort, OwnDefinition
from outcomes.naming import FAILURE
from registry.models import Unit, User
from registry.pages.forms.base import Spoken

CLOSED = (
    "It cannot be opened here: one of its filters names a unit whose figures you do not see, "
    "or is not known any more."
)
RETIRED = "Its definition of failure, {name}, was retired. It opens with: {default}."
NOT_HERE = (
    "Its definition of failure is that of a unit whose figures you do not see. It opens with: {default}."
)


class ShareForm(Spoken, forms.Form):
    """The unit that a cohort is shared with, if any."""

    shared_with = forms.TypedChoiceField(
        required=False,
        label="Share with",
        empty_value=None,
        error_messages={"invalid_choice": "'%(value)s' is none of your units. Choose one of the list."},
    )

    def __init__(self, units: QuerySet[Unit], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = {unit.code: unit for unit in units}
        field: Any = self.fields["shared_with"]
        field.choices = [("", "Nobody"), *((code, unit.name) for code, unit in known.items())]
        field.coerce = known.__getitem__


@dataclass(frozen=True, slots=True)
class Reader:
    """Who reads, and by which units and definitions a name is told to them."""

    person: User
    units: QuerySet[Unit]
    definitions: dict[str, FailureDefinition]
    retired: dict[str, str]
    _units_named: dict[str, QuerySet[Unit]] = field(default_factory=dict)

    @classmethod
    def of(cls, person: User, units: QuerySet[Unit]) -> Self:
        old = OwnDefinition.objects.filter(unit__in=units, retired_at__isnull=False)
        return cls(person, units, definitions_for(units), {row.code: row.name for row in old})

    def visible(self) -> QuerySet[NamedCohort]:
        """Those one made, and those shared with a unit whose figures one sees."""
        mine_or_shared = Q(made_by=self.person) | Q(shared_with__in=self.units)
        named = NamedCohort.objects.filter(mine_or_shared).select_related("made_by", "shared_with")
        return named.prefetch_related(Prefetch("versions", CohortVersion.objects.defer("members_gzipped")))

    def cohort(self, query: Any) -> Cohort | None:
        """The filters, where this reader may use all of them."""
        try:
            return Cohort.from_query(query, self.units)
        except UnknownFilterError:
            return None

    def sentence(self, cohort: Cohort) -> str:
        """The filters in words; a unit that many cohorts name is read once."""
        code = cohort.unit
        named = self.units.filter(code=code) if code else self.units
        return replace(cohort, unit="").sentence(self._units_named.setdefault(code, named))

    def definition(self, code: str) -> tuple[FailureDefinition, str]:
        """The definition that a name opens with, and why if it is another than its maker's."""
        if not code or code in self.definitions:
            return self.definitions[code or REOPERATION.code], ""
        words = RETIRED if code in self.retired else NOT_HERE
        return REOPERATION, words.format(name=self.retired.get(code), default=REOPERATION.name)


@dataclass(frozen=True, slots=True)
class Line:
    """A named cohort as one reader may use it; `query` opens it, and is None when it cannot be opened."""

    named: NamedCohort
    sentence: str
    definition: str
    note: str
    by: str
    query: dict[str, str] | None
    share: ShareForm | None

    @classmethod
    def of(cls, named: NamedCohort, reader: Reader) -> Self:
        definition, note = reader.definition(named.definition)
        cohort = reader.cohort(named.query)
        is_own = named.made_by_id == reader.person.pk
        return cls(
            named=named,
            sentence=reader.sentence(cohort) if cohort else "",
            definition=definition.name,
            note=note if cohort else CLOSED,
            by="You" if is_own else named.made_by.shown_name,
            query={**cohort.query(), FAILURE: definition.code} if cohort else None,
            share=_share_form(named, reader.units) if is_own else None,
        )

    @property
    def number(self) -> int:
        """Of its latest version."""
        return self.named.latest.number

    @property
    def survival_url(self) -> str:
        return f"{reverse('survival')}?{urlencode(self.query or {})}"

    @property
    def scores_url(self) -> str:
        filters = {name: value for name, value in (self.query or {}).items() if name != FAILURE}
        return f"{reverse('scores')}?{urlencode(filters)}"


def _share_form(named: NamedCohort, units: QuerySet[Unit]) -> ShareForm:
    return ShareForm(units, initial={"shared_with": named.shared_with}, auto_id=f"id_{named.uuid.hex[:8]}_%s")

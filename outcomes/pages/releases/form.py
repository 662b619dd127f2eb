"""The form that asks for a release of rows: which cohort, what of it, for whom, under which approval."""

from collections.abc import Iterator, Mapping
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.utils.html import format_html

from outcomes.definitions import definitions_for
from outcomes.failure import REOPERATION
from outcomes.pages.releases.cohort_choice import Choice, Choices
from outcomes.release.asked import LEAST_K, USUAL_K, Asked
from outcomes.release.hierarchies import ATTRIBUTES, Attribute
from registry.models import Unit
from registry.pages.forms.base import Spoken

YEAR = "year"
YEAR_CHOICES = ((0, "No year"), (1, "Single years"), (2, "Bands of 2 years"), (5, "Bands of 5 years"))
# Ticked when the form opens: few, since every one more makes all the others coarser.
OPENS_ON = ("age", "sex", "ligament")
MOST_K = 100
NO_COHORT = (
    "'%(value)s' is none of the cohorts you may release. Choose one of the list, or name one in Cohorts."
)
TOO_SMALL = "{k} is below {least}, the smallest number {whose} shows. Enter {least} or more."


class ReleaseForm(Spoken, forms.Form):
    """Everything that a release has to state."""

    cohort = forms.ChoiceField(label="Cohort", error_messages={"invalid_choice": NO_COHORT})
    failure = forms.ChoiceField(label="Failure means")
    attributes = forms.MultipleChoiceField(
        required=False,
        label="About the patients",
        widget=forms.CheckboxSelectMultiple,
        help_text="Take only what the question needs: every one more makes the others coarser.",
    )
    year_years = forms.TypedChoiceField(
        coerce=int,
        choices=YEAR_CHOICES,
        initial=0,
        label="Year of operation",
        required=False,
        empty_value=0,  # type: ignore[arg-type]
    )
    k = forms.IntegerField(
        label="Patients alike, at least",
        min_value=LEAST_K,
        max_value=MOST_K,
        initial=USUAL_K,
        error_messages={
            "min_value": "%(show_value)s is below %(limit_value)s. Enter %(limit_value)s or more.",
            "max_value": "%(show_value)s is above %(limit_value)s. Enter %(limit_value)s or less.",
        },
        help_text=f"Nobody is released among fewer. Usually {USUAL_K}, never under {LEAST_K}.",
    )
    stata = forms.BooleanField(required=False, label="Stata files as well")
    project = forms.CharField(
        max_length=60,
        help_text="The same project keeps its pseudonyms; in another nobody can be told to be the same.",
    )
    purpose = forms.CharField(
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Goes into the package as written: name no person and no place.",
    )
    approval = forms.CharField(
        max_length=100, label="Approval reference", help_text="Of the ethics committee or whoever approves."
    )
    recipient = forms.CharField(max_length=200, help_text="The group or institute that gets the package.")
    steward = forms.CharField(
        max_length=200,
        label="Recipient's data steward",
        help_text="Whom a letter reaches when a patient withdraws: an office, with an address.",
    )

    WHAT = ("attributes", "year_years", "k", "stata")
    WHY = ("project", "purpose", "approval", "recipient", "steward")

    def __init__(
        self,
        units: QuerySet[Unit],
        choices: Choices,
        posted: Any = None,
        initial: Mapping[str, Any] | None = None,
    ) -> None:
        opens_on = {"failure": REOPERATION.code, "attributes": OPENS_ON, **(initial or {})}
        super().__init__(posted, initial=opens_on)
        self.choices, self.units = choices, units
        fields: Any = self.fields
        fields["cohort"].choices = choices.named()
        fields["failure"].choices = [(code, known.name) for code, known in definitions_for(units).items()]
        fields["attributes"].choices = list(_attribute_choices())

    @property
    def what(self) -> list[forms.BoundField]:
        return [self[name] for name in self.WHAT]

    @property
    def why(self) -> list[forms.BoundField]:
        return [self[name] for name in self.WHY]

    @property
    def chosen(self) -> Choice | None:
        """The cohort on the form; the first of the list when none is asked for."""
        code = self["cohort"].value()
        known = self.choices.by_code
        return known.get(code) if code else next(iter(known.values()), None)

    def clean_k(self) -> int:
        """Not below what any of the cohort's units shows."""
        k: int = self.cleaned_data["k"]
        choice = self.choices.by_code.get(self.cleaned_data.get("cohort", ""))
        for unit in choice.units if choice else ():
            if k < unit.smallest_count_shown:
                raise forms.ValidationError(
                    TOO_SMALL.format(k=k, least=unit.smallest_count_shown, whose=unit.name)
                )
        return k

    @property
    def asked(self) -> Asked:
        """The request of a sound form."""
        said = self.cleaned_data
        choice = self.choices.by_code[said["cohort"]]
        year = (YEAR,) if said["year_years"] else ()
        return Asked(
            **{name: " ".join(said[name].split()) for name in self.WHY},
            units=tuple(choice.units.order_by("code").values_list("code", flat=True)),
            cohort_name=choice.version.cohort.name,
            cohort_version=choice.version.number,
            cohort=choice.cohort.query(),
            definition=said["failure"],
            attributes=(*said["attributes"], *year),
            year_years=said["year_years"],
            k=said["k"],
            stata=said["stata"],
        )


def as_typed(asked: Asked, choices: Choices) -> dict[str, Any]:
    """An earlier request as the form's first values, where its cohort is still there."""
    repeated = ("project", "purpose", "approval", "recipient", "steward", "year_years", "k", "stata")
    return {
        **{name: getattr(asked, name) for name in repeated},
        "cohort": choices.of_request(asked),
        "failure": asked.definition,
        "attributes": [code for code in asked.attributes if code != YEAR],
    }


def _attribute_choices() -> Iterator[tuple[str, str]]:
    """Each attribute with the forms it may take, finest first."""
    for code, attribute in ATTRIBUTES.items():
        yield code, format_html('{} <span class="soft">{}</span>', attribute.title, forms_of(attribute))


def forms_of(attribute: Attribute) -> str:
    """What an attribute could become, from its finest form on."""
    return ", then ".join(attribute.label(step) for step in range(len(attribute.steps) + 1))

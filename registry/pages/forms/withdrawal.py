"""Why a row is withdrawn that is no entry of a knee's story, such as a reading or a grade."""

from django import forms

from registry.models import User
from registry.pages.forms.base import Spoken
from registry.recording import Act


class WhyWithdrawn(Spoken, forms.Form):
    """The reason alone."""

    title = "Withdrawal"
    reason = forms.CharField(
        max_length=200,
        label="Reason for the withdrawal",
        help_text="Kept in the history with your name and the time.",
    )

    def act(self, by: User) -> Act:
        return Act(by, self.cleaned_data["reason"])

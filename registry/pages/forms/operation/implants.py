"""The forms of the implants used: one row a kind of implant, and the line that takes the scan of a label."""

from django import forms
from django.core.exceptions import ValidationError

from registry import gs1
from registry.models import Implant
from registry.pages.forms.base import RecordForm, Spoken


class ImplantForm(RecordForm):
    """One kind of implant, as its label says."""

    device_identifier = forms.CharField(
        max_length=24,
        label="Device identifier (GTIN)",
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
    )

    class Meta:
        model = Implant
        fields = ("device_identifier", "lot", "serial", "expires_on", "count")

    def clean_device_identifier(self) -> str:
        try:
            return gs1.normal_identifier(self.cleaned_data["device_identifier"])
        except gs1.UnreadableLabel as unreadable:
            raise ValidationError(str(unreadable)) from unreadable


class ScanForm(Spoken, forms.Form):
    """A label as a scanner types it. It is no part of the record: what it says goes into a row of its own."""

    title = "Implants"
    scan = forms.CharField(
        required=False,
        max_length=200,
        # A scanner may type the separator of GS1 as a control character, which must stay.
        strip=False,
        label="Scan a label",
        help_text="The scanner's Enter adds the implant. Or type the label as printed, with its brackets.",
        widget=forms.TextInput(
            attrs={"data-enter": "add-implant", "autocomplete": "off", "spellcheck": "false"}
        ),
    )

    def clean_scan(self) -> gs1.DeviceLabel | None:
        scanned: str = self.cleaned_data["scan"]
        try:
            return gs1.read(scanned) if scanned.strip() else None
        except gs1.UnreadableLabel as unreadable:
            raise ValidationError(str(unreadable)) from unreadable

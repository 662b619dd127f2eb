"""Lot look-up, for a recall: every knee that holds an implant of a lot or device. Each look-up is logged."""

from dataclasses import dataclass
from typing import Any, Self

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_POST

from registry.access import Action, require
from registry.gs1 import UnreadableLabel, normal_identifier, read
from registry.models import Implant, LotLookUp, Membership, Unit, User
from registry.models.labels import label_text
from registry.pages.csv_file import csv_file
from registry.pages.forms.base import Spoken
from registry.recording import record

LISTED = 200
RECENT = 20
NOTHING_SOUGHT = "Nothing to look for. Enter a lot or a device identifier, or scan the label."
CSV_COLUMNS = (
    "knee",
    "side",
    "operated_on",
    "unit",
    "device_identifier",
    "lot",
    "serial",
    "expires_on",
    "count",
)


class LotForm(Spoken, forms.Form):
    """What is looked for, typed or scanned, and why."""

    label = forms.CharField(
        label="Label, scanned or typed",
        required=False,
        max_length=200,
        help_text="Scan the code on the label into this field: device identifier and lot are read from it.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )
    device_identifier = forms.CharField(
        label="Device identifier (GTIN)",
        required=False,
        max_length=20,
        widget=forms.TextInput(attrs={"autocomplete": "off", "inputmode": "numeric"}),
    )
    lot = forms.CharField(
        required=False,
        max_length=20,
        help_text="As printed: letter case counts.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )
    reason = forms.CharField(max_length=200, help_text="Kept with your name and the time.")

    def clean_device_identifier(self) -> str:
        typed: str = self.cleaned_data["device_identifier"]
        return _identifier(typed) if typed else ""

    def clean_lot(self) -> str:
        typed: str = self.cleaned_data["lot"]
        label_text("".join(typed.split()))
        return typed

    def clean_label(self) -> dict[str, str]:
        """What a scanned label says of device and lot."""
        scanned: str = self.cleaned_data["label"]
        return _read(scanned) if scanned else {}

    def clean(self) -> dict[str, Any]:
        said = self.cleaned_data
        for name, scanned in said.get("label", {}).items():
            self._take_up(name, scanned)
        if not self.errors and not said["lot"] and not said["device_identifier"]:
            raise ValidationError(NOTHING_SOUGHT)
        return said

    def _take_up(self, name: str, scanned: str) -> None:
        typed = self.cleaned_data.get(name)
        if typed and typed != scanned:
            words = f"The label says {scanned}, and {typed} was typed. Clear one of them."
            self.add_error(name, words)
        elif name not in self.errors:
            self.cleaned_data[name] = scanned


@dataclass(frozen=True, slots=True)
class Sought:
    """A lot, a device, or a lot of a device; the empty text where it is any."""

    lot: str
    device_identifier: str
    reason: str

    @classmethod
    def of(cls, form: LotForm) -> Self:
        said = form.cleaned_data
        return cls(said["lot"], said["device_identifier"], said["reason"])

    def __str__(self) -> str:
        device = f"device {self.device_identifier}" if self.device_identifier else ""
        return " of ".join(words for words in (f"lot {self.lot}" if self.lot else "", device) if words)

    def implants(self, units: QuerySet[Unit]) -> QuerySet[Implant]:
        """The standing implants of these units that fit, the lot exactly as printed."""
        wanted = {"lot": self.lot, "device_identifier": self.device_identifier}
        fitting: QuerySet[Implant] = Implant.objects.filter(
            procedure__unit__in=units, **{name: value for name, value in wanted.items() if value}
        )
        return fitting.select_related("procedure__knee__patient", "procedure__unit").order_by(
            "procedure__operated_on", "pk"
        )

    def alike(self, units: QuerySet[Unit]) -> list["Sought"]:
        """What may have been meant: lots that differ in letter case or spaces, or the lot of any device."""
        if not self.lot:
            return []
        of_device = {"device_identifier": self.device_identifier} if self.device_identifier else {}
        written: Any = Implant.objects.filter(
            procedure__unit__in=units, lot__iexact="".join(self.lot.split()), **of_device
        ).exclude(lot=self.lot)
        lots = written.order_by("lot").values_list("lot", flat=True).distinct()
        return [Sought(lot, self.device_identifier, self.reason) for lot in lots] + self._of_any_device(units)

    def _of_any_device(self, units: QuerySet[Unit]) -> list["Sought"]:
        of_lot = Implant.objects.filter(procedure__unit__in=units, lot=self.lot)
        others = of_lot.exclude(device_identifier=self.device_identifier)
        return [Sought(self.lot, "", self.reason)] if self.device_identifier and others.exists() else []


def lots(request: HttpRequest) -> HttpResponse:
    """The question; after it, which knees hold such an implant."""
    units = require(request.user, Action.LOOK_UP_LOTS)
    form = LotForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        return _found(request, units, Sought.of(form))
    return _asked(request, units, form)


@require_POST
def lots_csv(request: HttpRequest) -> HttpResponse:
    """The same as a file without identities: who is to be contacted is opened knee by knee, and logged."""
    units = require(request.user, Action.LOOK_UP_LOTS)
    form = LotForm(request.POST)
    if not form.is_valid():
        return _asked(request, units, form)
    sought = Sought.of(form)
    implants = sought.implants(units)
    _log(request, sought, implants, as_file=True)
    return csv_file("lot-look-up", CSV_COLUMNS, map(_cells, implants))


def _asked(request: HttpRequest, units: QuerySet[Unit], form: LotForm) -> HttpResponse:
    context = {"form": form, "recent": _recent(units)}
    return render(request, "registry/lots.html", context, status=422 if form.is_bound else 200)


def _found(request: HttpRequest, units: QuerySet[Unit], sought: Sought) -> HttpResponse:
    implants = sought.implants(units)
    knees = _log(request, sought, implants)
    context = {
        # As read from the label, so that one sees what was looked for.
        "form": LotForm(initial={name: getattr(sought, name) for name in Sought.__slots__}),
        "sought": sought,
        "implants": implants[:LISTED],
        "total": implants.count(),
        "knees": knees,
        "alike": sought.alike(units),
        "recent": _recent(units),
    }
    return render(request, "registry/lots.html", context)


def _log(request: HttpRequest, sought: Sought, implants: QuerySet[Implant], *, as_file: bool = False) -> int:
    """Keep who looked for what, why and how many knees were found; that number."""
    assert isinstance(request.user, User)  # noqa: S101 - require() let nobody else pass
    knees = implants.order_by().values("procedure__knee").distinct().count()
    look_up = LotLookUp(
        user=request.user,
        lot=sought.lot,
        device_identifier=sought.device_identifier,
        reason=sought.reason,
        knees_found=knees,
        as_file=as_file,
    )
    record(look_up)
    return knees


def _recent(units: QuerySet[Unit]) -> QuerySet[LotLookUp]:
    """The latest look-ups by people of these units."""
    people = Membership.objects.filter(unit__in=units).values("user")
    return LotLookUp.objects.filter(user__in=people).select_related("user")[:RECENT]


def _cells(implant: Implant) -> tuple[Any, ...]:
    procedure = implant.procedure
    return (
        procedure.knee.uuid,
        procedure.knee.side,
        procedure.operated_on,
        procedure.unit.code,
        implant.device_identifier,
        implant.lot,
        implant.serial,
        implant.expires_on,
        implant.count,
    )


def _identifier(typed: str) -> str:
    try:
        return normal_identifier(typed)
    except UnreadableLabel as error:
        raise ValidationError(str(error)) from error


def _read(scanned: str) -> dict[str, str]:
    try:
        label = read(scanned)
    except UnreadableLabel as error:
        raise ValidationError(str(error)) from error
    told = {"device_identifier": label.device_identifier, "lot": label.lot}
    return {name: value for name, value in told.items() if value}

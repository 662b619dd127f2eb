"""Second readings: a surgeon classifies tears that colleagues operated on, without the first reading.

All that a page tells of a tear is what `Shown` holds; nothing of its classification is among it.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar, Self
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST

from registry.access import Action, require
from registry.models import Surgeon, Tear, TearReading, Unit, User
from registry.pages.forms.base import RecordForm
from registry.pages.forms.saving import save
from registry.pages.forms.withdrawal import WhyWithdrawn
from registry.pages.wording import Facts, facts
from registry.recording import withdraw
from registry.vocabulary import Meniscus, Pattern, Side

PAGE_SIZE = 25
# Anderson et al. AJSM 2011;39:926-32: 37 videos read by 8 surgeons.
RIM_WIDTH_KAPPA = 0.25
RIM_WIDTH_CAUTION = (
    f"Rim width is the field on which surgeons agree least (kappa {RIM_WIDTH_KAPPA}, 8 surgeons reading 37 "
    "videos, Anderson et al. AJSM 2011;39:926-32). Take your time over it."
)
UNSEEN = "I classify this from the images of the operation and have not seen the first reading."
NO_ENTRY = (
    "Your account is not linked to a surgeon's entry, so a reading could not be kept as yours. Ask your "
    "unit's administrator to link it."
)
OPERATED = (
    "You were at the operation on this tear. A second reading is another surgeon's: choose another tear."
)
RAMP_IS_MEDIAL = "This is a lateral meniscus, and ramp lesions are medial. Choose another pattern."
STANDS = "You have read this tear, and that reading stands. To read it anew, withdraw it first."


@dataclass(frozen=True, slots=True)
class Shown:
    """All that a reader is told of a tear, read from tears or from rows that lead to one by `path`."""

    uuid: UUID
    meniscus_code: str
    side_code: str
    operated_on: date
    unit: str

    COLUMNS: ClassVar = (
        "uuid",
        "meniscus",
        "procedure__knee__side",
        "procedure__operated_on",
        "procedure__unit__name",
    )

    @classmethod
    def of(cls, tears: QuerySet[Any], path: str = "") -> list[Self]:
        rows = tears.values_list(*(path + column for column in cls.COLUMNS))
        return [cls(*row) for row in rows]

    @property
    def meniscus(self) -> str:
        return str(Meniscus(self.meniscus_code).label)

    @property
    def side(self) -> str:
        return str(Side(self.side_code).label)

    @property
    def reference(self) -> str:
        return str(self.uuid)[:8]


class ReadingForm(RecordForm):
    """The classification of one tear; every field is asked for and none is filled in."""

    class Meta:
        model = TearReading
        fields = TearReading.READ

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        missing = "Tick this only if it is so. A reading made after seeing the first one tells nothing."
        self.fields["unseen"] = forms.BooleanField(label=UNSEEN, error_messages={"required": missing})

    def clean_pattern(self) -> str:
        pattern: str = self.cleaned_data["pattern"]
        if pattern == Pattern.RAMP and self.instance.tear.meniscus == Meniscus.LATERAL:
            raise ValidationError(RAMP_IS_MEDIAL)
        return pattern

    def agrees_with(self, reading: TearReading) -> bool:
        """Whether it says what a reading on record says: the same form sent twice."""
        return all(self.cleaned_data.get(name) == getattr(reading, name) for name in TearReading.READ)


def readings(request: HttpRequest) -> HttpResponse:
    """The tears still to read, newest operation first, or those read, latest reading first."""
    units = require(request.user, Action.READ_TEARS)
    reader = _reader(request)
    if reader is None:
        return render(request, "registry/reading_refused.html", {"words": NO_ENTRY})
    waiting, made = unread(units, reader), _made(units, reader)
    mine = request.GET.get("show") == "mine"
    page = Paginator(made if mine else waiting, PAGE_SIZE).get_page(request.GET.get("page"))
    listed: Any = page.object_list
    context = {
        "page": page,
        "mine": mine,
        "query": "show=mine" if mine else "",
        "rows": list(_told(listed)) if mine else Shown.of(listed),
        "waiting": waiting.count(),
        "made": made.count(),
    }
    return render(request, "registry/readings.html", context)


def read_tear(request: HttpRequest, tear: UUID) -> HttpResponse:
    """The form, with what is to be mended, or on to the next tear; of a tear read before, one's reading."""
    units = require(request.user, Action.READ_TEARS)
    found = _tear(units, tear)
    reader = _reader(request)
    if reader is None or operated(reader, found):
        return _refusal(request, NO_ENTRY if reader is None else OPERATED)
    made = _made(units, reader).filter(tear=found).first()
    posted = request.POST if request.method == "POST" else None
    form = ReadingForm(posted, instance=TearReading(tear=found, reader=reader))
    if form.is_valid() and _on_record(form, made, _person(request)):
        return _on_to_the_next(request, units, reader)
    if made:
        return _reading_made(request, made, STANDS if form.is_bound else "")
    context = {"tear": _shown(found.pk), "form": form, "caution": RIM_WIDTH_CAUTION}
    return render(request, "registry/read_tear.html", context, status=422 if form.is_bound else 200)


@require_POST
def withdraw_reading(request: HttpRequest, tear: UUID) -> HttpResponse:
    """Take back one's own reading of a tear, with the reason."""
    units = require(request.user, Action.READ_TEARS)
    reader = _reader(request)
    made = _made(units, reader).filter(tear__uuid=tear).first() if reader else None
    if made is None:
        raise Http404
    form = WhyWithdrawn(request.POST)
    if not form.is_valid():
        return _reading_made(request, made, form=form)
    withdraw(made, form.act(_person(request)))
    messages.success(request, "Your reading is withdrawn. The tear is among those to read again.")
    return redirect("readings")


def unread(units: QuerySet[Unit], reader: Surgeon) -> QuerySet[Tear]:
    """The tears of these units that a surgeon neither saw operated on nor has read."""
    read = TearReading.objects.filter(tear=OuterRef("pk"), reader=reader)
    own = (
        Q(procedure__lead_surgeon=reader)
        | Q(procedure__first_assistant=reader)
        | Q(procedure__repaired_by=reader)
    )
    tears = Tear.objects.filter(~Exists(read), procedure__unit__in=units).exclude(own)
    return tears.order_by("-procedure__operated_on", "-pk")


def operated(reader: Surgeon, tear: Tear) -> bool:
    """Whether a reading of this surgeon's would be no second one."""
    return reader.pk in tear.procedure.team


def _person(request: HttpRequest) -> User:
    assert isinstance(request.user, User)  # noqa: S101 - require() let nobody else pass
    return request.user


def _reader(request: HttpRequest) -> Surgeon | None:
    return Surgeon.objects.filter(user=_person(request)).first()


def _tear(units: QuerySet[Unit], uuid: UUID) -> Tear:
    tear = Tear.objects.filter(procedure__unit__in=units, uuid=uuid).select_related("procedure").first()
    if tear is None:
        raise Http404
    return tear


def _shown(tear_id: int) -> Shown:
    return Shown.of(Tear.objects.filter(pk=tear_id))[0]


def _made(units: QuerySet[Unit], reader: Surgeon) -> QuerySet[TearReading]:
    made = TearReading.objects.filter(reader=reader, tear__procedure__unit__in=units)
    return made.order_by("-recorded_at", "-pk")


def _told(made: QuerySet[TearReading]) -> Iterable[tuple[TearReading, Shown]]:
    """Each reading with what is shown of its tear."""
    return zip(made, Shown.of(made, "tear__"), strict=True)


def _on_record(form: ReadingForm, made: TearReading | None, by: User) -> bool:
    """Whether what the form says is on record, now or from when it was sent before."""
    return form.agrees_with(made) if made else save([(form, form.instance)], by=by)


def _on_to_the_next(request: HttpRequest, units: QuerySet[Unit], reader: Surgeon) -> HttpResponse:
    following = unread(units, reader).values_list("uuid", flat=True).first()
    if following is None:
        messages.success(request, "Thank you, your reading is recorded. No tear is left for you to read.")
        return redirect("readings")
    messages.success(request, "Thank you, your reading is recorded. Here is the next tear.")
    return redirect("read_tear", following)


def _reading_made(
    request: HttpRequest, made: TearReading, refused: str = "", form: WhyWithdrawn | None = None
) -> HttpResponse:
    context = {
        "tear": _shown(made.tear_id),
        "reading": made,
        "facts": read_facts(made),
        "refused": refused,
        "form": form or WhyWithdrawn(),
    }
    return render(request, "registry/reading_made.html", context, status=422 if refused or form else 200)


def read_facts(reading: TearReading) -> Facts:
    """What was read, by label."""
    return facts(reading, *TearReading.READ)


def _refusal(request: HttpRequest, words: str) -> HttpResponse:
    context = {"words": words, "from_tear": True}
    return render(request, "registry/reading_refused.html", context, status=403)

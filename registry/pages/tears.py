"""The tears of a knee as its pages number and name them, and those that may have come back."""

from collections.abc import Sequence

from django.db.models import Exists, OuterRef, Q
from django.utils.formats import date_format

from registry.models import Knee, ReoperationOnTear, Tear
from registry.pages.wording import tear_name
from registry.vocabulary import ReoperationAction, VascularZone

REMOVALS = (ReoperationAction.PARTIAL_REMOVAL, ReoperationAction.TOTAL_REMOVAL, ReoperationAction.TRANSPLANT)

Offered = Sequence[tuple[Tear, str]]


def tears_of(knee: Knee) -> list[Tear]:
    """Every tear of a knee with its operation and repair, in the order that numbers them on every page."""
    tears = Tear.objects.filter(procedure__knee=knee).select_related("procedure", "repair")
    return list(tears.order_by("procedure__operated_on", "pk"))


def repaired_before(knee: Knee) -> Offered:
    """Each repaired tear of a knee with words that tell it apart; those that failed already come last."""
    numbered = [(number, tear) for number, tear in enumerate(tears_of(knee), start=1) if tear.is_repaired]
    over = _failed_already(knee)
    numbered.sort(key=lambda each: each[1].pk in over)
    return [(tear, _told(number, tear, failed=tear.pk in over)) for number, tear in numbered]


def _failed_already(knee: Knee) -> set[int]:
    removed = ReoperationOnTear.objects.filter(tear=OuterRef("pk"), action__in=REMOVALS)
    returned = Tear.objects.filter(revises=OuterRef("pk"))
    tears = Tear.objects.filter(Q(Exists(removed)) | Q(Exists(returned)), procedure__knee=knee)
    return set(tears.values_list("pk", flat=True))


def _told(number: int, tear: Tear, *, failed: bool) -> str:
    zone = VascularZone(tear.vascular_zone).label.lower() if tear.vascular_zone else "zone not recorded"
    since = ", removed or repaired again since" if failed else ""
    return f"{tear_name(number, tear)}, {zone}, operated on {date_format(tear.procedure.operated_on)}{since}"

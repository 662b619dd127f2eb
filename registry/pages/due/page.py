"""One knee of Due: the review that waits for an answer, what was done about it, and a form for each act."""

from typing import Any
from urllib.parse import urlencode
from uuid import UUID, uuid4

from django.http import HttpRequest, HttpResponseRedirect
from django.urls import reverse
from django.utils import timezone
from django.utils.functional import cached_property
from django.utils.http import url_has_allowed_host_and_scheme

from registry.access import Action, knees_for
from registry.models import BookedVisit, GivenUpReview, Knee, PatientLink, User
from registry.pages.due.forms import BookForm, GiveUpForm, PhoneForm
from registry.pages.due.lines import latest_links, reach, with_address
from registry.pages.due.panel import Panel
from registry.pages.due.words import TAGS, asked_so_far, how_long
from registry.pages.forms.base import Spoken, problems_of
from registry.reminders.send import hindrance
from registry.reminders.timetable import next_kind
from registry.reviews import ReviewState, current_review
from registry.vocabulary import MessageKind, TimePoint


class KneePage:
    """One knee's page with a form for each act; `act` is the one sent, whose form alone is filled."""

    def __init__(self, request: HttpRequest, user: User, knee: Knee) -> None:
        self.request, self.user = request, user
        rows = with_address(Knee.objects.filter(pk=knee.pk))
        self.knee: Any = rows.select_related("patient__unit", "patient__identity").get()
        self.review = current_review(knee)
        self.act = request.POST.get("act", "")
        self.shown_address = ""
        self.phone = PhoneForm(self._sent_to("phone"))
        self.book = BookForm.about(self.knee, self.time_point, self._sent_to("book"))
        self.give_up = GiveUpForm.about(self.knee, self.time_point, self._sent_to("give-up"))

    def _sent_to(self, act: str) -> Any:
        return self.request.POST if self.act == act else None

    @property
    def time_point(self) -> str:
        """Of the review that waits, else none of the plan."""
        return self.review.time_point if self.review else TimePoint.UNPLANNED.value

    @cached_property
    def key(self) -> UUID:
        """What the page carries, so that sending it twice records it once."""
        try:
            return UUID(self.request.POST.get("entry", ""))
        except ValueError:
            return uuid4()

    @property
    def url(self) -> str:
        return reverse("due_knee", args=[self.knee.uuid])

    @property
    def back(self) -> str:
        """The list that the reader came from, as they had it; empty when from elsewhere."""
        wanted = self.request.POST.get("back") or self.request.GET.get("back") or ""
        own = url_has_allowed_host_and_scheme(wanted, None) and wanted.startswith("/")
        return wanted if own else ""

    @cached_property
    def link(self) -> PatientLink | None:
        """The latest link of the review that waits."""
        if self.review is None:
            return None
        of_review = (self.review.knee_id, self.review.time_point)
        return latest_links({of_review: self.review.starts_on}).get(of_review)

    @property
    def next_message(self) -> MessageKind | None:
        """What would be sent next; None when everything was."""
        link = self.link if self.link and self.link.is_open(timezone.now()) else None
        return next_kind(link.messages.all() if link else [])

    def withdrawable(self) -> list[tuple[str, BookedVisit | GivenUpReview]]:
        """Visits still to come and reviews given up, each with its word in addresses."""
        booked = BookedVisit.objects.filter(knee=self.knee, booked_for__gte=timezone.localdate())
        given_up = GivenUpReview.objects.filter(knee=self.knee)
        return [
            *(("booked-visit", visit) for visit in booked),
            *(("given-up-review", review) for review in given_up),
        ]

    def to_list(self) -> HttpResponseRedirect:
        """Back to the list that the reader works through, or to this page."""
        return HttpResponseRedirect(self.back or self.url)

    def again(self, anchor: str = "") -> HttpResponseRedirect:
        kept = f"?{urlencode({'back': self.back})}" if self.back else ""
        return HttpResponseRedirect(f"{self.url}{kept}{anchor}")

    @property
    def forms(self) -> list[Spoken]:
        return [self.phone, self.book, self.give_up]

    def context(self) -> dict[str, Any]:
        """What templates/registry/due_knee.html shows."""
        now, today, review = timezone.now(), timezone.localdate(), self.review
        may = {
            action: knees_for(self.user, action).filter(pk=self.knee.pk).exists()
            for action in (Action.RECORD_FOLLOW_UP, Action.SEE_IDENTITY)
        }
        return {
            "due": self,
            "withdrawable": self.withdrawable(),
            "knee": self.knee,
            "review": review,
            "time_point": TimePoint(review.time_point).label if review else "",
            "state": ReviewState(review.state).label if review else "",
            "tag": TAGS[ReviewState(review.state)] if review else "",
            "how_long": how_long(review.due_on, review.closes_on, today) if review else "",
            "asked": asked_so_far(self.link, now),
            "reach": reach(self.knee),
            "hindrance": hindrance(self.knee),
            "may_act": may[Action.RECORD_FOLLOW_UP],
            "may_identify": may[Action.SEE_IDENTITY],
            "panel": Panel.of(self.knee),
            "problems": problems_of([form for form in self.forms if form.is_bound]),
        }

"""The patient's page: year of birth, then one screen after another, then thanks. Plain forms, no script.

Where somebody stands is kept in their session, what they answered with the link; so the address never holds
more than the token, and another device goes on at the first screen not done. What a stranger may learn, and
why refusals are alike, is told in `registry.patient_link.entering`.
"""

from datetime import datetime
from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.middleware.csrf import get_token
from django.template.loader import render_to_string
from django.utils import timezone, translation
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from registry.models import IndexProcedure, PatientLink
from registry.patient_link.answering import Kept, answers_of, finish, keep
from registry.patient_link.entering import Refusal, enter, open_links
from registry.patient_link.questions import asked
from registry.patient_link.screens import SEND, Answers, Screen, Taken, first_not_done, screens_of
from registry.patient_link.token import link_of
from registry.signing_in.lockout import counted_address
from registry.vocabulary import Language

_LINK, _SCREEN = "patient link", "patient screen"
_TONGUES = {Language.ENGLISH.value: "en-gb", Language.SPANISH.value: "es"}
_OWN_NAMES = {Language.ENGLISH.value: "English", Language.SPANISH.value: "Español"}
_YEAR_DIGITS = 4


@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters()
def patient_link(request: HttpRequest, token: str) -> HttpResponse:
    """Whatever the token, the first thing asked is the year of birth."""
    link, now = link_of(token), timezone.now()
    entered = link is not None and request.session.get(_LINK) == link.hex
    go = request.POST.get("go", "")
    if entered and link:
        answer = _answered(request, link, now) if request.method == "POST" else _shown(request, link, now)
    elif go in Language.values:
        answer = _back_to_the_address(request)
    elif "year" in request.POST:
        answer = _tried(request, link, now)
    elif request.method == "POST":
        # Sent from a screen after the session ended.
        answer = _back_to_the_address(request)
    else:
        answer = _page(request, "year")
    if go in Language.values:
        answer.set_cookie(
            settings.LANGUAGE_COOKIE_NAME,
            go,
            secure=settings.SESSION_COOKIE_SECURE,
            httponly=True,
            samesite="Lax",
        )
    return answer


def _tried(request: HttpRequest, link: UUID | None, now: datetime) -> HttpResponse:
    year = request.POST["year"].strip()
    if not (year.isascii() and year.isdigit() and len(year) == _YEAR_DIGITS and int(year)):
        return _page(request, "year", status=422, is_no_year=True)  # a slip, not a try
    found = enter(link, int(year), counted_address(request) or "", now)
    if isinstance(found, Refusal):
        is_flood = found is Refusal.TOO_MANY_KNOCKS
        return _page(request, "refused", status=429 if is_flood else 403, is_flood=is_flood)
    request.session.cycle_key()
    request.session[_LINK] = found.uuid.hex
    request.session.pop(_SCREEN, None)
    return _back_to_the_address(request)


def _answered(request: HttpRequest, link: UUID, now: datetime) -> HttpResponse:
    go, key = request.POST.get("go", "next"), request.POST.get("screen", "")
    if key == SEND.key and go == "next":
        finish(link, now)
        return _back_to_the_address(request)
    kept = keep(link, key, request.POST.dict(), now, going_on=go == "next")
    if kept is None:
        return _back_to_the_address(request)
    if go == "next" and (kept.taken.unanswered or kept.taken.wrong) and kept.screen:
        return _screen(request, kept.link, kept.answers, kept.screen, kept.taken)
    request.session[_SCREEN] = _leads_to(kept, go)
    return _back_to_the_address(request)


def _leads_to(kept: Kept, go: str) -> str | None:
    """Key of the screen that comes now; None for the first that is not done."""
    if kept.screen is None:
        return None
    keys = [screen.key for screen in kept.screens]
    here = keys.index(kept.screen.key)
    if go == "next":
        return keys[here + 1]
    return keys[max(here - 1, 0)] if go == "back" else keys[here]


def _shown(request: HttpRequest, link: UUID, now: datetime) -> HttpResponse:
    """To who entered: the screen they are at, thanks once all was sent, or that it is over."""
    named = PatientLink.objects.select_related("knee__patient").filter(uuid=link)
    if finished := named.exclude(finished_at=None).first():
        return _page(request, "thanks", finished)
    found = (open_links(now) & named).first()
    if found is None:
        return _page(request, "refused", status=403, is_flood=False)
    answers = answers_of(found)
    screens = screens_of(found.instruments, answers)
    waiting = first_not_done(screens, answers)
    chosen = request.session.get(_SCREEN)
    reached = screens[: screens.index(waiting) + 1]
    screen = next((each for each in reached if each.key == chosen), waiting)
    return _screen(request, found, answers, screen, Taken())


def _screen(
    request: HttpRequest, link: PatientLink, answers: Answers, screen: Screen, open_still: Taken
) -> HttpResponse:
    screens = screens_of(link.instruments, answers)
    language = _language(request, link)
    return _page(
        request,
        "group" if screen.group else screen.key,
        link,
        status=422 if open_still.unanswered or open_still.wrong else 200,
        screen=screen,
        place=screens.index(screen) + 1,
        places=len(screens),
        open_still=open_still,
        answers=answers,
        asked=asked(screen, answers, language, open_still.wrong),
        operated_on=IndexProcedure.objects.filter(knee=link.knee).latest("operated_on").operated_on,
        items_asked=sum(len(each.group.items) for each in screens if each.group),
        items_answered=sum(map(len, answers.items.values())),
    )


def _page(
    request: HttpRequest, name: str, link: PatientLink | None = None, status: int = 200, **context: Any
) -> HttpResponse:
    """A page in the reader's language, without anything of the site behind it."""
    language = _language(request, link)
    other = next(code for code in Language.values if code != language)
    context |= {
        "link": link,
        "other": other,
        "other_name": _OWN_NAMES[other],
        "csrf_token": get_token(request),
    }
    with translation.override(_TONGUES[language]):
        text = render_to_string(f"patient/{name}.html", context)
    return HttpResponse(
        text,
        status=status,
        headers={
            "Cache-Control": "no-store",
            "X-Robots-Tag": "noindex, nofollow",
            "Content-Language": language,
        },
    )


def _back_to_the_address(request: HttpRequest) -> HttpResponse:
    return HttpResponseRedirect(request.path, status=303, headers={"Cache-Control": "no-store"})


def _language(request: HttpRequest, link: PatientLink | None) -> str:
    """As chosen on the page, or the patient's, or, before we may know who it is, the browser's."""
    chosen = request.COOKIES.get(settings.LANGUAGE_COOKIE_NAME, "")
    if chosen in Language.values:
        return chosen
    return link.language if link else translation.get_language_from_request(request)[:2]

"""The page of one operation, new or on record: opened, changed by its buttons, and answered."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.html import format_html

from registry.models import IndexProcedure, Surgeon
from registry.pages import defaults
from registry.pages.corrections import Conflict, ReasonForm
from registry.pages.drafts import DO, draft_bar, draft_of, drop
from registry.pages.forms.base import Problem, Spoken, problems_of
from registry.pages.forms.operation.base import Sectioned, as_sent
from registry.pages.forms.operation.changes import Done, change
from registry.pages.forms.operation.entry import ENTRY, OperationEntry, Setting
from registry.pages.forms.operation.facts import told
from registry.pages.sign import may_sign
from registry.tear_map import SIDES, TearMap, tear_map

LIKE, SCAN = "like", "implant-scan"
SENT_DIFFERENT = (
    'The page you sent was recorded before as <a href="{}">the operation of {}</a>; what you '
    "typed now differs. Record it as another operation, or correct that one."
)


@dataclass
class Page:
    """What is answered: the forms, and what is said around them."""

    setting: Setting
    entry: OperationEntry
    status: int = 200
    problems: list[Problem] = field(default_factory=list)
    done: Done | None = None
    reason: ReasonForm | None = None
    conflict: Conflict | None = None
    like: str = ""
    restored: bool = False
    # Everything is sound, and only questions stand before the record.
    only_asks: bool = False


# --- the page as it comes, and as its buttons change it --------------------------------------------


def opened(request: HttpRequest, setting: Setting) -> Page:
    """The page as it comes, filled from its draft if there is one, and with the habits asked for."""
    like = request.GET.get(LIKE, "")
    draft = _draft(request, setting)
    if not like and draft is None:
        return Page(setting, OperationEntry.opened(setting))
    typed = QueryDict(mutable=True) if draft is None else draft
    if like:
        typed = _taken_over(setting, typed, like)
    entry = OperationEntry.shown(setting, typed)
    return Page(setting, entry, like=typed.get(LIKE, ""), restored=draft is not None)


def _draft(request: HttpRequest, setting: Setting) -> QueryDict | None:
    """The draft of the page, unless it went on record after all, while the script was still keeping it."""
    draft = draft_of(setting.person, request.path)
    if draft is None or setting.procedure or not recorded_under(setting, _uuid(draft.get(ENTRY))):
        return draft
    drop(setting.person, request.path)
    return None


def recorded_under(setting: Setting, key: UUID | None) -> IndexProcedure | None:
    """What a page of this key recorded when it was sent before."""
    if key is None:
        return None
    recorded = IndexProcedure.ever.filter(uuid=key, unit__in=setting.units)
    return recorded.select_related("knee__patient", "unit").first()


def _uuid(text: str | None) -> UUID | None:
    try:
        return UUID(text or "")
    except ValueError:
        return None


def _taken_over(setting: Setting, typed: QueryDict, like: str) -> QueryDict:
    """Habits filled in wherever nothing else was typed."""
    habits = defaults.habits(setting, like)
    if habits is None:
        raise Http404
    forms = OperationEntry.opened(setting).forms
    blank = {name: value for form in forms for name, value in as_sent(form).items()}
    filled = QueryDict(mutable=True)
    for name, value in (blank | habits).items():
        filled[name] = value
    for name, values in typed.lists():
        if any(values) and values != [blank.get(name)]:
            filled.setlist(name, values)
    filled[LIKE] = like
    return filled


def button_of(request: HttpRequest) -> str:
    """The button pressed. Enter after a scan records nothing: a label not taken up yet is taken up first."""
    scanned = request.POST.get(SCAN, "").strip()
    return request.POST.get(DO, "") or ("add-implant" if scanned else "")


def changed(request: HttpRequest, setting: Setting) -> Page:
    """The page after one of its buttons changed what stands on it."""
    typed = request.POST.copy()
    done = change(typed, button_of(request))
    if done and DO not in typed:
        messages.warning(request, f"{done.said} Nothing is recorded yet: record again.")
    entry = OperationEntry.shown(setting, typed)
    if done and done.scan:
        entry.scan = done.scan
    return Page(setting, entry, done=done, like=typed.get(LIKE, ""))


def not_recorded(setting: Setting, entry: OperationEntry, reason: ReasonForm | None = None) -> Page:
    """The page with what is to be mended; or, since a question is no refusal, simply with what is asked."""
    problems = problems_of([*entry.checked, *([reason] if reason else [])])
    if problems:
        return Page(setting, entry, status=422, problems=problems, reason=reason)
    _focus([entry.answers], entry.answers.add_prefix(next(iter(entry.answers.fields))))
    return Page(setting, entry, reason=reason, only_asks=True)


def differing(setting: Setting, typed: QueryDict, before: IndexProcedure) -> Page:
    """What was typed over a page already recorded: nothing of it is lost, and it is another entry by now."""
    entry = OperationEntry.shown(setting, typed)
    where = reverse("knee_story" if before.stands else "history", args=[before.knee.uuid])
    text = format_html(SENT_DIFFERENT, where, date_format(before.operated_on))
    problem = Problem(entry.procedure.anchor, entry.procedure.title, text)
    return Page(setting, entry, status=422, problems=[problem], like=typed.get(LIKE, ""))


# --- the answer ------------------------------------------------------------------------------------


def answered(request: HttpRequest, page: Page) -> HttpResponse:
    entry, setting = page.entry, page.setting
    _mark_taken(page)
    if page.done:
        _focus(entry.forms, page.done.focus)
    context: dict[str, Any] = {
        "page": page,
        "entry": entry,
        "knee": setting.knee,
        "correcting": setting.procedure,
        "kinds": [] if setting.procedure else defaults.kinds(setting.person),
        "told": told(entry),
        "map": _map(setting, entry),
        "signs": _signs(setting),
        "proposes": _proposes(page),
        "draft": draft_bar(request, restored=page.restored, about=_hospital_number(entry)),
    }
    return render(request, "registry/record_operation.html", context, status=page.status)


def _hospital_number(entry: OperationEntry) -> str:
    """As it was typed; a knee on record is named by the page itself."""
    is_asked = "hospital_number" in entry.patient.fields
    return str(entry.patient["hospital_number"].value() or "") if is_asked else ""


def _signs(setting: Setting) -> bool:
    """Whether signing is offered: to a surgeon, of an operation that is theirs to sign and not signed yet."""
    if setting.procedure is None:
        return Surgeon.objects.filter(user=setting.person).exists()
    return not setting.procedure.is_signed and may_sign(setting.person, setting.procedure)


def _proposes(page: Page) -> str:
    """Where the page may fill in what usually goes with an entry: never in what is on record.

    "all" also where a list opens on its default, "open" only where nothing stands.
    """
    if page.setting.procedure:
        return ""
    return "all" if page.entry.is_fresh else "open"


def _mark_taken(page: Page) -> None:
    """Fields that still say what was taken over from an operation before."""
    habits = (defaults.habits(page.setting, page.like) or {}) if page.like else {}
    for form in page.entry.forms:
        if isinstance(form, Sectioned):
            said = {name for name, value in as_sent(form).items() if value and value == habits.get(name)}
            form.taken = {name for name in form.fields if form.add_prefix(name) in said}


def _focus(forms: Iterable[Spoken], wanted: str) -> None:
    """Let the control of that name take the focus."""
    for form in forms:
        for name, each in form.fields.items():
            if form.add_prefix(name) == wanted:
                each.widget.attrs["autofocus"] = True


def _map(setting: Setting, entry: OperationEntry) -> TearMap:
    side = setting.knee.side if setting.knee else entry.patient["side"].value()
    marks = [mark for card in entry.cards if (mark := card.mark)]
    return tear_map(side if side in SIDES else SIDES[0], marks)

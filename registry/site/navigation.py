"""The navigation a person sees: the pages their roles open, the current one marked."""

from typing import Any

from django.http import HttpRequest
from django.urls import reverse

from registry.access import Action, actions_of

# Address name, label, and the action that opens it (None: everybody signed in).
PAGES: tuple[tuple[str, str, Action | None], ...] = (
    ("today", "Today", None),
    ("repairs", "Repairs", Action.SEE_RECORD),
    ("due", "Due", Action.SEE_RECORD),
    ("record_operation", "Record an operation", Action.RECORD_OPERATION),
    ("survival", "Survival", Action.SEE_FIGURES),
    ("scores", "Scores", Action.SEE_FIGURES),
    ("my_results", "My results", Action.SEE_OWN_RESULTS),
    ("briefings", "Audit briefing", Action.BRIEF),
    ("response", "Response", Action.SEE_RECORD),
    ("named_cohorts", "Cohorts", Action.SEE_FIGURES),
    ("how_sure", "How sure", Action.SEE_FIGURES),
    ("completeness", "Completeness", Action.SEE_RECORD),
    ("releases", "Releases", Action.RELEASE),
    ("lots", "Lot look-up", Action.LOOK_UP_LOTS),
    ("intakes", "Intake", Action.TAKE_IN),
    ("readings", "Second readings", Action.READ_TEARS),
    ("units", "Unit", Action.MANAGE_UNIT),
)


def navigation(request: HttpRequest) -> dict[str, Any]:
    """Context for the base template; empty when signed out."""
    if not request.user.is_authenticated:
        return {"navigation": []}
    allowed = actions_of(request.user)
    here = request.resolver_match.view_name if request.resolver_match else ""
    return {
        "navigation": [
            {"label": label, "url": reverse(name), "current": name == here}
            for name, label, action in PAGES
            if action is None or action in allowed
        ]
    }

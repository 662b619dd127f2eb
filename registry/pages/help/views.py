"""Help: the guides, one guide, and the commands; open to whoever is signed in."""

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

from registry.access import roles_of
from registry.pages.help.commands import commands
from registry.pages.help.guides import GUIDES, PICTURES


def help_index(request: HttpRequest) -> HttpResponse:
    """All guides, those of the reader's own roles first."""
    own = roles_of(request.user)
    guides = sorted(GUIDES, key=lambda role: role not in own)
    return render(request, "help/index.html", {"guides": [(GUIDES[role], role in own) for role in guides]})


def guide(request: HttpRequest, code: str) -> HttpResponse:
    """One guide with its pictures."""
    role = next((role for role, each in GUIDES.items() if each.code == code), None)
    if role is None:
        raise Http404
    context = {"guide": GUIDES[role], "pictures": PICTURES, "is_own": role in roles_of(request.user)}
    return render(request, GUIDES[role].template, context)


def help_commands(request: HttpRequest) -> HttpResponse:
    """Every command as its own --help tells it."""
    return render(request, "help/commands.html", {"commands": commands()})

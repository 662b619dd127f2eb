"""Where a page leads on to when it only stood between: to an address of this site, whatever was asked for."""

from django.http import HttpRequest
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme

NEXT = "next"


def asked_for(request: HttpRequest) -> str:
    """The address asked for, of this site; empty when none was, or one elsewhere."""
    address = request.POST.get(NEXT) or request.GET.get(NEXT) or ""
    is_here = url_has_allowed_host_and_scheme(
        address, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    )
    return address if is_here else ""


def where_next(request: HttpRequest) -> str:
    """The address asked for, or Today."""
    return asked_for(request) or reverse("today")

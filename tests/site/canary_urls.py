"""Pages that break in every way that a page can, with what was sent in their hands; see test_canaries.py."""

import gc
import logging
import os
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from uuid import uuid4

from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import SuspiciousOperation
from django.db import connection, transaction
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.template import engines
from django.urls import path
from django.views.decorators.csrf import csrf_exempt

from registry import background
from registry.models import Intake, Unit, User
from registry.sealing import seal_bytes
from registry.site.urls import *  # noqa: F403
from registry.site.urls import urlpatterns as of_the_site
from tests import factories


def raises(said: str) -> None:
    typed = {"value": said}  # a local variable of the frame
    try:
        int(typed["value"])
    except ValueError as error:
        raise RuntimeError(f"cannot work with {typed}") from error


def raises_a_group(said: str) -> None:
    raise ExceptionGroup(said, [ValueError(said), KeyError(said)])


def breaks_uniqueness(said: str) -> None:
    User.objects.create(username=said)
    with transaction.atomic():
        User.objects.create(username=said)


def breaks_a_check(said: str) -> None:
    unit = factories.a_unit("elsewhere")
    Unit.objects.filter(pk=unit.pk).update(healed_from_percent=said)


def is_no_number(said: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT %s::integer", [said])


def is_too_long(said: str) -> None:
    Unit.objects.create(code="long", name=said * 40)


def breaks_in_its_template(said: str) -> None:
    engines["django"].from_string("{% load no_such_tags %}" + said)


def breaks_while_it_is_rendered(said: str) -> None:
    engines["django"].from_string("{{ value.method }}{% include value %}").render({"value": said})


def is_suspicious(said: str) -> None:
    raise SuspiciousOperation(said)


def warns(said: str) -> None:
    warnings.warn(said, UserWarning, stacklevel=1)


def breaks_in_a_thread(said: str) -> None:
    thread = threading.Thread(target=raises, args=[said], name=said)
    thread.start()
    thread.join()


class _Leaves:
    def __init__(self, said: str) -> None:
        self.said = said

    def __del__(self) -> None:
        raise RuntimeError(self.said)


def breaks_while_it_goes(said: str) -> None:
    leaves = _Leaves(said)
    del leaves
    gc.collect()


def logs(said: str) -> None:
    for name in (
        "django.request",
        "django.security.csrf",
        "axes",
        "gunicorn.error",
        "urllib3",
        "registry.pages",
    ):
        logger = logging.getLogger(name)
        logger.error("Told with %s.", said)
        logger.error("Told with %d.", said)  # cannot be put together
        logger.error("Told.", extra={"request": said, "sql": said})
        logger.error(ValueError(said))
        try:
            raise ValueError(said)
        except ValueError:
            logger.exception("Told with %s.", said)
    logging.getLogger("urllib3").error(f"Put together with {said}")  # noqa: G004
    logging.getLogger("urllib3").error("Told.", extra={"route": said, "user": said})


def starts_workers_that_break(said: str) -> None:
    user = User.objects.first()
    assert user
    intake = Intake.objects.create(
        unit=Unit.objects.all()[0],
        begun_by=user,
        file_name=f"{said}.csv",
        file_sealed=seal_bytes(f"a;b\n{said};1\n".encode()),
        state="waiting",
        mapping={"sheets": said},
    )
    background.start("intake", intake.uuid)
    background.start("intake", uuid4())


def leaks(said: str) -> None:
    """What the test has to find."""
    sys.stderr.write(f"{said}\n")
    sys.stderr.flush()


BREAKING: tuple[Callable[[str], None], ...] = (
    raises,
    raises_a_group,
    breaks_uniqueness,
    breaks_a_check,
    is_no_number,
    is_too_long,
    breaks_in_its_template,
    breaks_while_it_is_rendered,
    is_suspicious,
    warns,
    breaks_in_a_thread,
    breaks_while_it_goes,
    logs,
    starts_workers_that_break,
    leaks,
)


def _page(break_it: Callable[[str], None]) -> Any:
    @csrf_exempt
    @login_not_required
    def page(request: HttpRequest, said: str = "") -> HttpResponse:
        break_it(request.POST.get("said", said))
        return HttpResponse("done")

    return page


@login_not_required
def breaks_while_it_is_sent(request: HttpRequest) -> StreamingHttpResponse:
    def parts() -> Iterator[str]:
        yield "begun"
        raises(request.GET["said"])

    return StreamingHttpResponse(parts())


@login_not_required
def slow(request: HttpRequest) -> HttpResponse:
    Path(os.environ["SLOW_BEGAN"]).touch()
    time.sleep(3)
    return HttpResponse("answered whole")


urlpatterns = [
    *(path(f"broken/{each.__name__}/", _page(each)) for each in BREAKING),
    *(path(f"broken/{each.__name__}/<str:said>/", _page(each)) for each in BREAKING),
    path("broken/stream/", breaks_while_it_is_sent),
    path("slow/", slow),
    *of_the_site,
]

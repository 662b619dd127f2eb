"""The base of every view of the API: who asks, for what, how often."""

from collections.abc import Collection, Iterable
from typing import Any, ClassVar

from django.db.models import Model
from rest_framework.request import Request
from rest_framework.views import APIView

from registry.holding import patient_key
from registry.models import OpeningKind, User
from registry.rights import openings
from registry.vocabulary import Scope


class ApiView(APIView):
    """A view that needs a key with its scope. Which rows it shows it asks registry.access."""

    read_scope: ClassVar[Scope | None] = Scope.READ_RECORD
    write_scope: ClassVar[Scope | None] = Scope.WRITE_RECORD
    # Methods that only read, though they are sent a body.
    reads: ClassVar[Collection[str]] = ()

    def perform_authentication(self, request: Request) -> None:
        # Counted before anything is refused, so that who tries keys is slowed as well.
        try:
            super().perform_authentication(request)
        finally:
            super().check_throttles(request)

    def check_throttles(self, request: Request) -> None:
        """Counted already, see `perform_authentication`."""

    def finalize_response(self, request: Request, response: Any, *args: Any, **kwargs: Any) -> Any:
        # What names nobody may still be of one person: no shared cache keeps any of it.
        response.headers.setdefault("Cache-Control", "private, no-cache")
        return super().finalize_response(request, response, *args, **kwargs)

    @property
    def person(self) -> User:
        """Whose key it is."""
        assert isinstance(self.request.user, User)  # noqa: S101 - HasScope let nobody else pass
        return self.request.user

    def opened(self, rows: Iterable[Model]) -> None:
        """Note that the patients of these rows were opened; their wholes are read with them."""
        patients = {key for row in rows if (key := patient_key(row))}
        openings.note_all(patients, self.person, OpeningKind.PROGRAM)

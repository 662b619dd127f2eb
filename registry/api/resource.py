"""What the API needs to know of one kind of entry, to list, show, record, correct and withdraw it."""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import Any, ClassVar
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import Http404
from django.urls import reverse
from rest_framework.serializers import Serializer

from registry.access import Action, knees_for
from registry.api.etags import etag
from registry.models import Entry, User
from registry.recording import latest_correction


class Resource(ABC):
    """One kind of entry. Every row is asked of registry.access, with the action of the page for it."""

    # In addresses; what the document calls it; one of it in words.
    slug: str
    name: str
    words: str
    model: type[Entry]
    shown: type[Serializer]
    recorded: type[Serializer] | None = None
    corrected: type[Serializer] | None = None
    # Path from a row to the UUID of its knee.
    knee_path: str = "knee__uuid"
    write_action: ClassVar[Action] = Action.RECORD_FOLLOW_UP
    example: Mapping[str, Any] | None = None

    @abstractmethod
    def rows(self, person: User) -> QuerySet[Any]:
        """Every row that the person may see, withdrawn ones too, with what showing it needs."""

    def require_write(self, person: User, row: Any) -> None:
        """Refuse who may see the row but not change it."""
        if not knees_for(person, self.write_action).filter(pk=row.knee_id).exists():
            raise PermissionDenied

    def record(self, person: User, said: Mapping[str, Any], sent: Any) -> Entry:
        """Put a new row on record from its body; `sent` is the body as it came, for refusals."""
        raise NotImplementedError

    def correct(self, person: User, row: Any, said: Mapping[str, Any], sent: Any) -> None:
        """Change a row on record, leaving its correction."""
        raise NotImplementedError

    def row(self, person: User, uuid: UUID) -> Any:
        """One row that the person may see."""
        row = self.rows(person).filter(uuid=uuid).first()
        if row is None:
            raise Http404
        return row

    def told(self, row: Any) -> Any:
        """A row as JSON has it."""
        return self.shown(row).data

    def tag(self, row: Any) -> str:
        return etag(self.told(row), self.mark(row))

    def mark(self, row: Any) -> int:
        """How far the row's entry has been corrected."""
        return latest_correction(row.entry)

    def location(self, row: Any) -> str:
        return reverse(f"api_{self.name}", args=[row.uuid])

"""The views of every kind of entry: list and record, read and correct, withdraw and bring back, history."""

from collections.abc import Callable
from typing import Any, ClassVar
from uuid import UUID

from django.urls import resolve
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from registry.api.creating import REPLAYED, once
from registry.api.etags import require_match, tagged
from registry.api.listing import listed
from registry.api.paging import page
from registry.api.problems import Refused
from registry.api.resource import Resource
from registry.api.serializing import Strict, body_of
from registry.api.view import ApiView
from registry.models import Correction, User
from registry.pages.differences import told
from registry.pages.history import may_be_undone
from registry.recording import Act, corrections_of, hold_entry, reinstate, withdraw
from registry.retrying import retried
from registry.vocabulary import CorrectionKind


class ReasonSerializer(Strict):
    """Why."""

    reason = serializers.CharField(
        max_length=200,
        help_text="Kept in the history with the person's name and the time. Name nobody in it.",
    )


class LineSerializer(serializers.Serializer):
    """One field, before and after, in words."""

    label = serializers.CharField()
    before = serializers.CharField()
    after = serializers.CharField()


class ChangeSerializer(serializers.Serializer):
    """One row changed once. What was done in one go shares its act."""

    act = serializers.UUIDField()
    kind = serializers.ChoiceField(CorrectionKind.choices)
    at = serializers.DateTimeField()
    who = serializers.CharField()
    reason = serializers.CharField()
    row = serializers.CharField()
    lines = LineSerializer(many=True)


class HistorySerializer(serializers.Serializer):
    """Every change of an entry and its parts, in order."""

    changes = ChangeSerializer(many=True)


class EntryView(ApiView):
    """Base of the views of one resource."""

    resource: ClassVar[Resource]

    def answer(self, row: Any, **more: Any) -> Response:
        self.opened([row])
        return tagged(self.request, self.resource.told(row), self.resource.mark(row), **more)

    def shown(self, rows: Any) -> Any:
        """Many rows as JSON has them."""
        self.opened(rows)
        return self.resource.shown(rows, many=True).data

    def changed(self, uuid: UUID, change: Callable[[Any], None]) -> Response:
        """The row changed, by whoever may and has seen it as it stands; held until the change is made."""
        resource = self.resource
        resource.require_write(self.person, found := resource.row(self.person, uuid))

        def work() -> None:
            hold_entry(found.entry)
            row = resource.row(self.person, uuid)
            require_match(self.request, resource.tag(row))
            change(row)

        retried(work)
        return self.answer(resource.row(self.person, uuid))


class EntryList(EntryView):
    """All of a kind."""

    def get(self, request: Request) -> Response:
        rows = listed(request, self.resource.rows(self.person), self.resource.knee_path)
        return page(request, rows, self.shown)


class EntryListAndRecord(EntryList):
    """All of a kind, and another one."""

    def post(self, request: Request) -> Response:
        location, replayed = once(request, self._record)
        row = self.resource.row(self.person, resolve(location).kwargs["uuid"])
        headers = {"Location": location, **({REPLAYED: "true"} if replayed else {})}
        return self.answer(row, status_code=status.HTTP_201_CREATED, headers=headers)

    def _record(self) -> str:
        assert self.resource.recorded is not None  # noqa: S101 - only of what can be recorded
        sent = self.request.data
        said = body_of(self.resource.recorded, sent)
        return self.resource.location(self.resource.record(self.person, said, sent))


class EntryOne(EntryView):
    """One entry."""

    def get(self, request: Request, uuid: UUID) -> Response:
        return self.answer(self.resource.row(self.person, uuid))


class EntryOneAndCorrect(EntryOne):
    """One entry, and its correction."""

    def patch(self, request: Request, uuid: UUID) -> Response:
        corrected = self.resource.corrected
        assert corrected is not None  # noqa: S101 - only of what can be corrected

        def change(row: Any) -> None:
            _refuse_withdrawn(row)
            said = body_of(corrected, request.data, partial=True)
            self.resource.correct(self.person, row, said, request.data)

        return self.changed(uuid, change)


class Withdrawal(EntryView):
    """Take an entry out of every list and figure, with its parts; its history keeps it."""

    def post(self, request: Request, uuid: UUID) -> Response:
        def change(row: Any) -> None:
            _refuse_withdrawn(row)
            withdraw(row, _act(self, request))

        return self.changed(uuid, change)


class Reinstatement(EntryView):
    """Bring back an entry with everything that was withdrawn along with it."""

    def post(self, request: Request, uuid: UUID) -> Response:
        def change(row: Any) -> None:
            if row.stands:
                raise Refused("conflict", "It stands: nothing is to be brought back.")
            reinstate(_act_to_undo(self.person, row), _act(self, request))

        return self.changed(uuid, change)


class History(EntryView):
    """What was corrected, when, by whom and why."""

    def get(self, request: Request, uuid: UUID) -> Response:
        row = self.resource.row(self.person, uuid)
        self.opened([row])
        changes = told(corrections_of(row).select_related("made_by"), self.person)
        return Response(HistorySerializer({"changes": changes}).data)


def _act(view: EntryView, request: Request) -> Act:
    return Act(view.person, body_of(ReasonSerializer, request.data)["reason"])


def _refuse_withdrawn(row: Any) -> None:
    if not row.stands:
        raise Refused("conflict", "It was withdrawn. Reinstate it first, then change it.")


def _act_to_undo(person: User, row: Any) -> UUID:
    """The act that withdrew a row, if the person may bring back everything that it withdrew."""
    withdrawn = Correction.objects.filter(kind=CorrectionKind.WITHDRAWN)
    own = withdrawn.filter(row_table=row._meta.db_table, row_id=row.pk).order_by("-pk")
    act: UUID = own.values_list("act", flat=True)[0]
    if act not in may_be_undone(person, list(withdrawn.filter(act=act))):
        raise Refused(
            "conflict", "What was withdrawn along with it is not yours to bring back, or changed since."
        )
    return act

"""Releases for programs: the ledger of one's units, and the packages as they were released."""

import json
import zipfile
from pathlib import Path
from typing import Any
from uuid import UUID

from django.http import FileResponse, Http404
from drf_spectacular.types import OpenApiTypes
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from outcomes.api.release_shapes import EntrySerializer, ReleaseSerializer, entry_told, release_told
from outcomes.api.telling import read, told
from outcomes.models import LedgerEntry
from outcomes.pages.releases.ledger_page import Line, lines_of
from outcomes.release import store
from registry.access import Action, require
from registry.api.etags import tagged
from registry.api.paging import page
from registry.api.schema import CURSOR, LIMIT, page_of
from registry.api.view import ApiView
from registry.vocabulary import Scope

TAG = "Releases"
MANIFEST = "manifest.json"


class ZipRenderer(JSONRenderer):
    """Packages go out as they lie; what is refused is told as JSON."""

    media_type = "application/zip"
    format = "zip"


class ReleaseView(ApiView):
    """Base of the views of releases."""

    read_scope = Scope.READ_RELEASES
    write_scope = None

    def lines(self) -> dict[UUID, Line]:
        """The releases of the person's units, each with where it stands."""
        units = require(self.person, Action.RELEASE)
        store.settle()
        return {line.entry.uuid: line for line in lines_of(units)}

    def line(self, uuid: UUID) -> Line:
        line = self.lines().get(uuid)
        if line is None:
            raise Http404
        return line

    def package(self, uuid: UUID) -> tuple[Line, Path]:
        """A release whose package may be handed out."""
        line = self.line(uuid)
        path = store.path_of(line.entry)
        if path is None:
            raise Http404
        return line, path


class ReleaseList(ReleaseView):
    """The ledger."""

    @told(
        TAG,
        "list_release",
        "Everything that left the house from your units",
        {200: page_of(ReleaseSerializer, "ReleasePage")},
        parameters=[CURSOR, LIMIT],
    )
    def get(self, request: Request) -> Response:
        lines = self.lines()
        rows = LedgerEntry.objects.filter(uuid__in=lines)
        return page(request, rows, lambda found: [release_told(lines[entry.uuid]) for entry in found])


class ReleaseOne(ReleaseView):
    """One release."""

    @read(
        TAG,
        "read_release",
        "One release, whole, with its hashes in the ledger",
        EntrySerializer,
        404,
    )
    def get(self, request: Request, uuid: UUID) -> Response:
        return tagged(request, entry_told(self.line(uuid)))


class Manifest(ReleaseView):
    """The manifest out of a package."""

    @read(
        TAG,
        "read_release_manifest",
        "What was released of whom and how, as the package's manifest tells it",
        OpenApiTypes.OBJECT,
        404,
        description="404 once the release is recalled, and where its package holds no manifest.",
    )
    def get(self, request: Request, uuid: UUID) -> Response:
        _, path = self.package(uuid)
        manifest = _manifest_in(path)
        if manifest is None:
            raise Http404
        return tagged(request, manifest)


class Package(ReleaseView):
    """The package itself."""

    renderer_classes = (ZipRenderer,)

    @told(
        TAG,
        "read_release_package",
        "The package, byte for byte as released",
        {(200, ZipRenderer.media_type): OpenApiTypes.BINARY},
        404,
        description="404 once the release is recalled. Its SHA-256 is that of `read_release`.",
    )
    def get(self, request: Request, uuid: UUID) -> FileResponse:
        line, path = self.package(uuid)
        name = f"release-{line.entry.number}.zip"
        return FileResponse(
            path.open("rb"), as_attachment=True, filename=name, content_type=ZipRenderer.media_type
        )


def _manifest_in(path: Path) -> Any:
    """The manifest of a package; None where it has none."""
    if not zipfile.is_zipfile(path):
        return None
    with zipfile.ZipFile(path) as package:
        names = [name for name in package.namelist() if Path(name).name == MANIFEST]
        return json.loads(package.read(names[0])) if names else None

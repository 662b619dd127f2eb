"""The file of an intake: kept in memory while it comes in, and read before anything of it is kept."""

from io import BytesIO
from typing import Any

from django import forms
from django.core.files.uploadedfile import InMemoryUploadedFile, UploadedFile
from django.core.files.uploadhandler import FileUploadHandler, SkipFile
from django.db.models import QuerySet

from registry.intake.file.limits import LIMIT_BYTES, MEGABYTE
from registry.models import Unit
from registry.pages.forms.base import Spoken

MOST = f"{LIMIT_BYTES // MEGABYTE} MB"
TOO_LARGE = (
    f"The file has more than {MOST}, and no more are read. Split it into several files, or take pictures out "
    "of it."
)


class InMemory(FileUploadHandler):
    """Keeps a file in memory: on disk its identities would lie unsealed. Stops at the limit."""

    def __init__(self, request: Any = None) -> None:
        super().__init__(request)
        self.is_too_large = False
        self._parts = BytesIO()

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        super().new_file(*args, **kwargs)
        self._parts = BytesIO()

    def receive_data_chunk(self, raw_data: bytes, start: int) -> None:
        if start + len(raw_data) > LIMIT_BYTES:
            self.is_too_large = True
            self._parts = BytesIO()
            raise SkipFile
        self._parts.write(raw_data)

    def file_complete(self, file_size: int) -> "UploadedFile[bytes]":
        self._parts.seek(0)
        return InMemoryUploadedFile(
            file=self._parts,
            field_name=self.field_name,
            name=self.file_name,
            content_type=self.content_type,
            size=file_size,
            charset=self.charset,
        )


class FileForm(Spoken, forms.Form):
    """The file, and of which unit it is where a person takes in for several."""

    unit = forms.ModelChoiceField(Unit.objects.none(), empty_label=None)
    file = forms.FileField(
        label="File with old records",
        max_length=200,
        allow_empty_file=True,  # refused in words by whoever reads it
        help_text=f"A workbook (.xlsx, .xlsm) or separated text (.csv, .tsv), up to {MOST}.",
        widget=forms.FileInput(attrs={"accept": ".xlsx,.xlsm,.csv,.tsv,.txt"}),
    )

    def __init__(self, units: QuerySet[Unit], *posted: Any, is_too_large: bool = False) -> None:
        super().__init__(*posted)
        self._units = list(units)
        choice: Any = self.fields["unit"]
        choice.queryset = units
        if len(self._units) == 1:
            del self.fields["unit"]
        if is_too_large:
            self.fields["file"].error_messages["required"] = TOO_LARGE

    @property
    def chosen_unit(self) -> Unit:
        """The unit that was chosen, or the only one."""
        return self.cleaned_data.get("unit") or self._units[0]

"""The briefing from the terminal: what it writes, prints, archives and refuses."""

import io
import json
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from outcomes.briefing import pdf
from outcomes.models import Briefing
from tests.conftest import Cast

pytestmark = pytest.mark.django_db


def run(out: Path, **options: Any) -> tuple[str, str]:
    said, progress = io.StringIO(), io.StringIO()
    given = [f"--{name}" if value is True else f"--{name}={value}" for name, value in options.items()]
    call_command("briefing", f"--out={out}", *given, stdout=said, stderr=progress)
    return said.getvalue(), progress.getvalue()


def test_it_writes_the_archived_file_and_says_where(cast: Cast, tmp_path: Path) -> None:
    said, progress = run(tmp_path, unit="northmere", since="2024-01-01", until="2024-12-31", json=True)
    kept = Briefing.objects.get()
    path, numbers = sorted(tmp_path.iterdir())
    assert sha256(path.read_bytes()).hexdigest() == kept.sha256
    assert said.splitlines() == [f"{path}  (SHA-256 {kept.sha256})", str(numbers)]
    assert json.loads(numbers.read_text()) == kept.numbers
    assert kept.made_by == cast.audit_lead
    for section in ("survival", "funnel", "the file"):
        assert f"briefing: {section}" in progress


def test_left_alone_it_briefs_on_the_largest_unit_over_last_year(cast: Cast, tmp_path: Path) -> None:
    run(tmp_path)
    kept = Briefing.objects.get()
    assert kept.unit == cast.unit
    assert kept.until is not None
    assert (kept.until.month, kept.until.day, kept.until.year) == (12, 31, kept.closed_on.year - 1)


@pytest.mark.usefixtures("cast")
def test_without_a_chromium_the_file_is_written_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(pdf.ENVIRONMENT, "no-such-program")
    _, progress = run(tmp_path, pdf=True)
    assert [path.suffix for path in tmp_path.iterdir()] == [".html"]
    assert "No PDF: No Chromium was found on this machine" in progress


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"unit": "nowhere"}, "--unit: 'nowhere' is no unit. Give one of: northmere, southmere."),
        ({"unit": "southmere"}, "--by: Southmere Hospital has no audit lead"),
        ({"by": "nobody"}, "--by: no user named 'nobody'"),
        ({"by": "oak"}, "--by: 'oak' leads no audit of Northmere Hospital"),
        ({"failure": "sorrow"}, "failure: 'sorrow' is not one of reoperation, any."),
        ({"since": "yesterday"}, "--since: 'yesterday' is no day; give it as 2024-03-01."),
        ({"until": "2001-01-01"}, "until: no primary repair of Northmere Hospital"),
    ],
)
@pytest.mark.usefixtures("cast")
def test_what_it_cannot_do_it_says(tmp_path: Path, options: dict[str, str], said: str) -> None:
    with pytest.raises(CommandError, match=said.replace(".", r"\.")):
        run(tmp_path, **options)
    assert not Briefing.objects.exists()
    assert not list(tmp_path.iterdir())

"""Printing by whatever program is there: none, one that fails, one that hangs."""

from pathlib import Path

import pytest

from outcomes.briefing import pdf


def a_program(folder: Path, script: str) -> str:
    path = folder / "printer"
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(0o755)
    return str(path)


def test_the_environment_names_the_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    named = a_program(tmp_path, "true")
    monkeypatch.setenv(pdf.ENVIRONMENT, named)
    assert pdf.chromium() == named
    monkeypatch.setenv(pdf.ENVIRONMENT, str(tmp_path / "none"))
    assert pdf.chromium() is None


def test_what_it_prints_is_given_back(tmp_path: Path) -> None:
    script = 'for a; do case "$a" in --print-to-pdf=*) printf "%%PDF of it" > "${a#*=}";; esac; done'
    assert pdf.pdf_of(b"<p>", a_program(tmp_path, script)) == b"%PDF of it"


def test_a_failure_is_told_in_words(tmp_path: Path) -> None:
    with pytest.raises(pdf.NoPdfError, match=r"did not print \(out of ink\)\. Open the HTML file"):
        pdf.pdf_of(b"<p>", a_program(tmp_path, "echo out of ink >&2; exit 3"))


def test_one_that_prints_nothing_is_a_failure_too(tmp_path: Path) -> None:
    with pytest.raises(pdf.NoPdfError, match="exit code 0"):
        pdf.pdf_of(b"<p>", a_program(tmp_path, "true"))


def test_one_that_hangs_is_stopped_with_what_it_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pdf, "AT_MOST_SECONDS", 0.5)
    with pytest.raises(pdf.NoPdfError, match=r"within 0\.5 s"):
        pdf.pdf_of(b"<p>", a_program(tmp_path, "sleep 60 & wait"))

"""`manage.py bench` times two ways to one answer; here only that they agree and what is printed."""

import json
from shutil import which

import pytest

from outcomes.bench import estimators
from outcomes.management.commands.bench import Command


def bench(*arguments: str) -> None:
    Command().run_from_argv(["manage.py", "bench", *arguments])


def test_both_ways_agree(capsys):
    bench("estimators", "--rows", "2000", "--json")
    printed = capsys.readouterr()
    found = json.loads(printed.out)
    assert found["rows"] == 2000
    assert found["agree"]
    assert 0 <= found["largest_difference"] <= 1e-9
    # A survival for each of at least 500 days a curve, of eight curves.
    assert found["values_compared"] > 8 * 500
    assert "R on the same rows" in printed.err
    # R's own survival package, where it is installed, is held to the same values.
    assert (found["ratio_to_r"] is None) == (which("Rscript") is None or "not installed" in printed.err)


def test_progress_and_figures_are_readable(capsys):
    bench("estimators", "--rows", "2000")
    said = capsys.readouterr().out
    for words in ("Inventing 2,000 repairs.", "from counts", "from rows", "ratio", "peak memory"):
        assert words in said


def test_counts_hold_every_repair_once():
    repairs = estimators.invented_repairs(2000)
    by = [*estimators.STRATA, "day", "failed"]
    counts = estimators.count(repairs)
    again = repairs.groupby(by, observed=True).size()
    assert counts["n"].sum() == 2000
    assert counts.set_index(by)["n"].sort_index().to_dict() == again.to_dict()


def test_a_difference_is_told(monkeypatch, capsys):
    # No difference is below 0, so the two ways cannot agree.
    monkeypatch.setattr(estimators, "TOLERANCE", -1.0)
    with pytest.raises(SystemExit) as end:
        bench("estimators", "--rows", "500")
    assert end.value.code == 1
    assert "do not agree" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("curves",), "estimators"),
        ((), "bench"),
        (("estimators", "--rows", "0"), "--rows 0"),
        (("estimators", "--rows", "many"), "many"),
    ],
)
def test_a_bad_call_is_refused_plainly(capsys, arguments, said):
    with pytest.raises(SystemExit) as end:
        bench(*arguments)
    assert end.value.code == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert said in printed.err
    assert len(printed.err.splitlines()) == 1

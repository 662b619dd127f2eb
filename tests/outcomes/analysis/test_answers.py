"""`manage.py analyse` answers with the values of the outside truth, under the keys that programs rely on."""

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from tests.outcomes.analysis.running import analyse

FOLDER = Path(__file__).parents[3] / "fixtures" / "reference"


@pytest.fixture
def answer(tmp_path: Path):
    """The JSON of a method on a reference data set written as a CSV file."""

    def of(name: str, method: str, *options: str) -> Any:
        data = json.loads((FOLDER / f"{name}.json").read_text())["data"]
        path = tmp_path / f"{name}.csv"
        with path.open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(data)
            writer.writerows(zip(*data.values(), strict=True))
        ended = analyse(path, "--method", method, *options, "--json")
        assert ended.code == 0, ended.err
        return json.loads(ended.out)

    return of


def truth(name: str) -> Any:
    return json.loads((FOLDER / f"{name}.json").read_text())["expected"]


def close(expected: Any) -> Any:
    return pytest.approx(expected, rel=1e-9, abs=0)


FOLLOWED = ("--duration", "time", "--event", "status")


def test_kaplan_meier_with_landmarks_and_median(answer):
    groups = answer("aml", "kaplan-meier", *FOLLOWED, "--group", "x", "--at", "13,23,34")["groups"]
    for name in ("Maintained", "Nonmaintained"):
        found, expected = groups[name], truth("aml")["curves"][f"x={name}"]
        assert set(found) >= {"n", "events", "time", "at_risk", "events_at", "censored_at", "survival"}
        assert set(found) >= {"std_error", "lower", "upper", "median", "at"}
        assert (found["n"], found["events"]) == (expected["n"], expected["events"])
        assert found["survival"] == [close(value) for value in expected["survival"]]
        assert found["median"] == expected["median"]
        for landmark in expected["landmarks"]:
            there = found["at"][str(landmark["day"])]
            assert set(there) == {"survival", "lower", "upper", "at_risk"}
            assert there["survival"] == close(landmark["survival"])


def test_log_rank_with_pairs(answer):
    found = answer("veteran", "log-rank", *FOLLOWED, "--group", "celltype")
    expected = truth("veteran")["log_rank"]["celltype"]
    assert {name: found[name] for name in ("statistic", "df", "p")} == {
        name: close(expected[name]) for name in ("statistic", "df", "p")
    }
    assert set(found["groups"]["adeno"]) == {"n", "observed", "expected"}
    assert len(found["pairwise"]) == 6
    assert set(found["pairwise"][0]) == {"a", "b", "statistic", "p", "p_holm"}


def test_cox_names_levels_and_takes_a_reference(answer):
    options = (*FOLLOWED, "--covariates", "karno,celltype")
    found = answer("veteran", "cox", *options)
    assert {"n", "left_out", "coefficients", "concordance", "log_likelihood", "proportional_hazards"} <= set(
        found
    )
    assert set(found["coefficients"]) == {
        "karno",
        "celltype[large]",
        "celltype[smallcell]",
        "celltype[squamous]",
    }
    assert "GLOBAL" in found["proportional_hazards"]
    other = answer("veteran", "cox", *options, "--reference", "celltype=squamous")
    assert "celltype[adeno]" in other["coefficients"]
    assert other["log_likelihood"] == pytest.approx(found["log_likelihood"], rel=1e-9)


def test_a_missing_covariate_is_left_out_and_counted(tmp_path):
    path = tmp_path / "gap.csv"
    rows = [f"{day},{day % 2},{'' if day == 7 else day % 3}" for day in range(1, 60)]
    path.write_text("days,failed,grade\n" + "\n".join(rows) + "\n")
    options = (
        "--method",
        "cox",
        "--duration",
        "days",
        "--event",
        "failed",
        "--covariates",
        "grade",
        "--json",
    )
    found = json.loads(analyse(path, *options).out)
    assert (found["n"], found["left_out"]) == (58, 1)


BY_GROUP = ("--group", "x")
INTERVAL = {"estimate", "lower", "upper"}


@pytest.mark.parametrize(
    ("method", "options", "keys"),
    [
        ("restricted-mean", (*FOLLOWED, *BY_GROUP), {"tau", "std_error", *INTERVAL}),
        ("follow-up", (*FOLLOWED, *BY_GROUP), {"median", "lower", "upper"}),
        ("proportion", ("--event", "status", *BY_GROUP), {"x", "n", *INTERVAL}),
        ("rate", FOLLOWED, {"events", "person_time", *INTERVAL}),
    ],
)
def test_keys_by_group(answer, method, options, keys):
    for group in answer("aml", method, *options)["groups"].values():
        assert set(group) == keys


def test_readable_tables_carry_method_and_cautions(tmp_path):
    path = tmp_path / "few.csv"
    path.write_text("days,failed\n10,1\n20,0\n30,1\n")
    said = analyse(path, "--method", "kaplan-meier", "--duration", "days", "--event", "failed").out
    assert "Kaplan-Meier" in said
    assert "Greenwood" in said

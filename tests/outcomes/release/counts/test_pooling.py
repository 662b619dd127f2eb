"""Counts of three hospitals pooled are the joint analysis of their rows; unfit files are refused."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.estimators.comparison import log_rank
from outcomes.estimators.survival import kaplan_meier
from outcomes.release.counts.pooled import LeftOut, PooledCounts, PooledFormatError, banded
from outcomes.release.counts.pooling import UNKNOWN, CannotPoolError, pool

LEVELS = {"zone_1": "Zone 1", "zone_2": "Zone 2", UNKNOWN: "Not recorded"}


def rows_of(seed, n=140):
    """Invented repairs of one hospital, a row each, some entered late."""
    chance = np.random.default_rng(seed)
    entry = np.where(chance.random(n) < 0.15, chance.integers(1, 200, n), 0)
    return pd.DataFrame(
        {
            "level": chance.choice(list(LEVELS), n, p=[0.45, 0.45, 0.1]),
            "entry": entry,
            "day": entry + 1 + chance.integers(0, 2200, n),
            "event": chance.choice(["failed", "competing", "censored"], n, p=[0.3, 0.05, 0.65]),
            "n": 1,
        }
    )


def document(rows, band_days=1, **changes):
    usual = PooledCounts(
        definition="reoperation",
        definition_sentence="Operated on again.",
        stratum="zone",
        stratum_title="vascular zone",
        levels=LEVELS,
        band_days=band_days,
        smallest_level=5,
        cohort_sentence="Primary repairs at 1 unit.",
        month="2026-11",
        left_out=LeftOut(),
        rows=banded(rows, band_days),
    )
    return replace(usual, **changes)


def columns(rows):
    return {"time": rows["day"], "failed": rows["event"] == "failed", "entry": rows["entry"]}


@pytest.mark.parametrize("band_days", [1, 30])
def test_three_hospitals_pooled_equal_the_joint_analysis_exactly(band_days):
    hospitals = {name: rows_of(seed) for seed, name in enumerate(["a", "b", "c"])}
    files = {name: PooledCounts.read(document(rows, band_days).as_text()) for name, rows in hospitals.items()}
    joint = pd.concat([rows.assign(file=name) for name, rows in hospitals.items()], ignore_index=True)
    # The convention of the format, written out a second time: entry at its band's first day, end at the last.
    joint["entry"] -= joint["entry"] % band_days
    joint["day"] += band_days - 1 - joint["day"] % band_days
    found = pool(files)
    assert found.overall.curve == kaplan_meier(**columns(joint))
    for level in found.levels:
        assert level.curve == kaplan_meier(**columns(joint[joint["level"] == level.code]))
    tested = joint[joint["level"] != UNKNOWN]
    whole = log_rank(**columns(tested), group=tested["level"])
    within = log_rank(**columns(tested), group=tested["level"], strata=tested["file"])
    assert found.test == whole
    assert found.test_within == within
    assert whole.statistic != within.statistic
    assert found.repairs == {"a": 140, "b": 140, "c": 140}


def test_a_document_reads_back_and_the_same_counts_give_the_same_text():
    rows = rows_of(4)
    made = document(rows, 7, left_out=LeftOut(("zone_3",), None))
    assert PooledCounts.read(made.as_text()) == made
    assert document(rows.sample(frac=1, random_state=1), 7).as_text() == document(rows, 7).as_text()
    assert made.n == 140


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"definition_sentence": "Not healed."}, "definition of failure is not the same: a has 'Operated on"),
        ({"stratum": "acuity"}, "stratum is not the same"),
        ({"levels": dict(reversed(LEVELS.items()))}, "levels of the stratum is not the same"),
        ({"band_days": 30}, "width of the bands"),
    ],
)
def test_files_that_differ_where_they_must_agree_are_refused(changes, words):
    with pytest.raises(CannotPoolError, match=words):
        pool({"a": document(rows_of(1)), "b": replace(document(rows_of(2)), **changes)})


def test_one_file_and_the_same_file_twice_are_noticed():
    one, other = document(rows_of(1)), document(rows_of(2))
    with pytest.raises(CannotPoolError, match="Only 1 file"):
        pool({"a": one})
    with pytest.raises(CannotPoolError, match="a and c hold the same counts"):
        pool({"a": one, "b": other, "c": replace(one, month="2026-12")})
    with pytest.raises(CannotPoolError, match="No file counts a repair"):
        pool({"a": replace(one, rows=()), "b": replace(one, rows=())})


def test_cohorts_in_other_words_are_cautioned_of():
    one, other = document(rows_of(1)), document(rows_of(2), cohort_sentence="Revision repairs at 1 unit.")
    assert "b: Revision repairs at 1 unit." in pool({"a": one, "b": other}).cautions[0]


def broken(**changes):
    said = json.loads(document(rows_of(1, n=3)).as_text())
    return json.dumps({**said, **changes})


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("no", "no JSON"),
        ("[]", "no file of 'rimward pooled counts'"),
        (broken(version=2), "version: 2 is not known here, 1 is"),
        (broken(band_days=0), "band_days: 0 is no number of days from 1 on"),
        (broken(levels=["zone_1"]), "levels: .* does not name each level"),
        (broken(rows=[["zone_9", 0, 3, "failed", 1]]), "row 1, level: 'zone_9' is none of the levels"),
        (broken(rows=[["zone_1", 0, 3, "fell", 1]]), "row 1, event: 'fell' is not one of"),
        (broken(rows=[["zone_1", 4, 3, "failed", 1]]), "row 1, day_band: 3 is no band from its entry on"),
        (broken(rows=[["zone_1", 0, 3, "failed", 0]]), "row 1, n: 0 is no count from 1 on"),
        (broken(rows=[["zone_1", 0, 3, "failed", True]]), "row 1, n: True"),
        (broken(rows=[["zone_1", 0, 3, "failed"]]), "row 1: .* is not level, entry_band"),
        (broken(rows=[["zone_1", 0, 3, "failed", 1]] * 2), "two of them count the same"),
    ],
)
def test_a_broken_document_is_refused_naming_what_is_wrong(text, words):
    with pytest.raises(PooledFormatError, match=words):
        PooledCounts.read(text)

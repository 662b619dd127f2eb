"""The verdict on six prerequisites. Common practice, no published source."""

from registry.rules.indications import PREREQUISITES, indication_verdict

ALL_MET = dict.fromkeys(PREREQUISITES, "yes")


def test_all_met_is_within() -> None:
    verdict = indication_verdict(ALL_MET)
    assert verdict.verdict == "within"
    assert str(verdict) == "Within usual indications"


def test_one_not_met_is_outside_and_named() -> None:
    verdict = indication_verdict({**ALL_MET, "body_intact": "no"})
    assert str(verdict) == "Outside usual indications: not met: meniscal body intact"


def test_one_unanswered_is_not_assessable_and_named() -> None:
    verdict = indication_verdict({**ALL_MET, "knee_stable": "not_assessed"})
    assert verdict.verdict == "not_assessable"
    assert verdict.missing == ("knee_stable",)
    assert str(verdict) == "Not assessable: no answer on knee stable or stabilised"


def test_one_not_met_outweighs_all_unanswered() -> None:
    answers = {**dict.fromkeys(PREREQUISITES, "not_assessed"), "vascular_zone_met": "no"}
    verdict = indication_verdict(answers)
    assert verdict.verdict == "outside"
    assert verdict.failed == ("vascular_zone_met",)
    assert len(verdict.missing) == len(PREREQUISITES) - 1

"""What is said of numbers that were told otherwise."""

from outcomes.briefing.changes import differences

FROZEN = {
    "asked": {"record_version": 7},
    "case_mix": {"zone": {"RR": {"count": 3, "of": 9, "share": 1 / 3}}},
    "survival": {
        "all": {"failures": 2, "completeness": 0.9, "median_follow_up": {"estimate": 700.0}},
        "by": {"ligament": {"groups": {"none": {"standing": {"2": {"lower": 0.31}}}}, "p_holm": 0.21}},
    },
    "clinic": {"findings": {"signs": {"kappa": {"lower": 0.123456}}}},
    "scores": {"points": {"12m": {"reached": 5, "level": {"upper": 81.25}}}},
    "lost": {"lost": 1},
}
NOW = {
    "asked": {"record_version": 8},
    "case_mix": {"zone": {"RR": {"count": 4, "of": 9, "share": 4 / 9}}},
    "survival": {
        "all": {"failures": 1, "completeness": 0.8, "median_follow_up": {"estimate": 730.5}},
        "by": {"ligament": {"groups": {"none": {"standing": {"2": {"lower": None}}}}, "p_holm": 0.5}},
    },
    "clinic": {"findings": {"signs": {"kappa": {"lower": 0.2}}}},
    "scores": {"points": {"12m": {"reached": 6, "level": {"upper": 83.5}}}},
    "lost": {"lost": 2},
}


def test_each_is_named_in_words_with_both_values() -> None:
    assert [(each.name, each.was, each.now) for each in differences(FROZEN, NOW)] == [
        ("Case mix: vascular zone, Red-red, count", "3", "4"),
        ("Case mix: vascular zone, Red-red, share", "33.3 %", "44.4 %"),
        ("Failures among them", "2", "1"),
        ("Median follow-up (months)", "23.0", "24.0"),
        (
            "Survival: concomitant ligament surgery, None, standing, at 2 years, lower limit",
            "31.0 %",
            "not told",
        ),
        ("Survival: concomitant ligament surgery, P after Holm", "0.21", "0.5"),
        ("Clinic: signs, kappa, lower limit", "0.1235", "0.2"),
        ("Scores: 12m, level, upper limit", "81.25", "83.5"),
    ]


def test_the_same_but_for_rounding_is_no_difference() -> None:
    assert differences(FROZEN, FROZEN) == []
    almost = {"ramp": {"looked": {"share": 1 / 3 + 1e-12}}}
    assert differences({"ramp": {"looked": {"share": 1 / 3}}}, almost) == []

"""Soft rules: what each asks and where it stops asking; what is unknown asks nothing.

Limits of spacing, blood and alignment, and which values rarely go together: common practice, no source.
Rim zones, and that a bucket-handle is displaced: Anderson et al. AJSM 2011;39:926-32.
"""

from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from types import MappingProxyType
from typing import Any, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.rules import questions
from registry.rules.questions import (
    Question,
    Row,
    implant_questions,
    look_questions,
    operation_questions,
    pass_questions,
    repair_questions,
    tear_questions,
)

OPERATED_ON = date(2025, 3, 1)
LIGAMENTS = ("acl", "pcl", "mcl", "lcl", "posterolateral", "anterolateral")
INTACT = dict.fromkeys(LIGAMENTS, "intact")
NOTHING: Row = MappingProxyType({})


class Case(NamedTuple):
    """Rows of one operation and of one tear seen again, as plain values."""

    operation: Row = NOTHING
    tears: tuple[Row, ...] = ()
    repair: Row = NOTHING
    passes: tuple[Row, ...] = ()
    implants: tuple[Row, ...] = ()
    finding: Row = NOTHING
    healing_class: Any = None

    def questions(self) -> list[Question]:
        """Every question there is on it."""
        return [
            *(
                question
                for number, tear in enumerate(self.tears, 1)
                for question in tear_questions(tear, number)
            ),
            *repair_questions(self.repair, 1),
            *pass_questions(self.passes, 1),
            *operation_questions(self.operation, self.tears),
            *implant_questions(self.implants, OPERATED_ON),
            *look_questions(self.finding, self.healing_class, 1),
        ]

    def codes(self) -> set[str]:
        return {question.code for question in self.questions()}

    def with_one_value_unknown(self, *spared: str) -> Iterator["Case"]:
        """This case with a single value None, empty or missing, for every value but the spared ones."""
        for name in ("operation", "repair", "finding"):
            for row in _each_unknown(getattr(self, name), spared):
                yield self._replace(**{name: row})
        for name in ("tears", "passes", "implants"):
            rows = getattr(self, name)
            for place, whole in enumerate(rows):
                for row in _each_unknown(whole, spared):
                    yield self._replace(**{name: (*rows[:place], row, *rows[place + 1 :])})


def _each_unknown(row: Row, spared: tuple[str, ...]) -> Iterator[Row]:
    for name in row.keys() - set(spared):
        yield {**row, name: None}
        yield {**row, name: ""}
        yield {other: value for other, value in row.items() if other != name}


def a_tear(**found: object) -> Case:
    return Case(tears=(found,))


def mapped(step: int, location: str) -> Case:
    return a_tear(map_step=step, radial_location=location)


def repaired(*tears: Row, **operation: object) -> Case:
    return Case(operation, tuple({"treatment": "repaired", **tear} for tear in tears))


def an_operation(*tears: Row, **operation: object) -> Case:
    return Case(operation, tears)


def spaced(*spacings: str) -> Case:
    return Case(passes=tuple({"spacing_mm": Decimal(spacing)} for spacing in spacings))


def aligned(answer: str, hka_deg: str) -> Case:
    return Case({"alignment_acceptable": answer, "hka_deg": Decimal(hka_deg)})


def expiring(on: date, **implant: object) -> Case:
    return Case(implants=({"lot": "A1", "expires_on": on, **implant},))


def seen_again(healing_class: str | None, *, stable: bool) -> Case:
    shares = {"healed_thickness_percent": 92, "healed_length_percent": 100}
    return Case(finding={**shares, "stable_on_probing": stable}, healing_class=healing_class)


RAMP, WHITE, RED, MIXED = (
    {"pattern": "ramp"},
    {"vascular_zone": "WW"},
    {"vascular_zone": "RR"},
    {"vascular_zone": "RW"},
)
ACL_LEFT, ACL_STAGED = {**INTACT, "acl": "left"}, {**INTACT, "acl": "staged"}
STABLE, UNSTABLE = {"unstable": False}, {"unstable": True}

# Code, the case that asks, and the values that its text has to name.
ASKED = [
    ("zone_1_white_white", a_tear(rim_zone=1, vascular_zone="WW"), ["zone 1", "under 3 mm", "WW"]),
    ("zone_3_red_red", a_tear(rim_zone=3, vascular_zone="RR"), ["zone 3", "5 mm or more", "RR"]),
    ("bucket_handle_in_place", a_tear(pattern="bucket_handle", displaced=False), ["bucket-handle", "no"]),
    ("map_step_elsewhere", mapped(1, "anterior"), ["Step 1", "root", "anterior third"]),
    ("map_step_elsewhere", mapped(4, "middle"), ["Step 4", "anterior third", "middle"]),
    ("map_step_elsewhere", mapped(9, "middle"), ["Step 9", "posterior", "middle third"]),
    ("map_step_elsewhere", mapped(12, "posterior"), ["Step 12", "root", "posterior"]),
    ("blood_unusual", Case(repair={"prp_blood_ml": 9}), ["9 ml", "10 to 60 ml", "30 ml"]),
    ("blood_unusual", Case(repair={"prp_blood_ml": 61}), ["61 ml"]),
    ("spacing_unusual", spaced("0.9"), ["0.9 mm", "1 to 10 mm", "2 to 3 mm"]),
    ("spacing_unusual", spaced("10.1"), ["10.1 mm"]),
    ("spacing_unusual", spaced("0.5", "3", "12"), ["0.5 and 12 mm"]),
    ("aligned_beyond_limit", aligned("yes", "-5.1"), ["answered yes", "5.1 deg varus", "5 deg"]),
    ("misaligned_within_limit", aligned("no", "-5"), ["answered no", "5 deg varus"]),
    ("misaligned_within_limit", aligned("no", "0"), ["answered no", "0 deg"]),
    ("misaligned_within_limit", aligned("no", "5"), ["answered no", "5 deg valgus"]),
    ("stable_with_torn_ligament", an_operation(knee_stable="yes", acl="left"), ["yes", "ACL left"]),
    ("stable_with_torn_ligament", an_operation(knee_stable="yes", mcl="staged"), ["yes", "MCL staged"]),
    ("vascular_yet_white", repaired(WHITE, WHITE, vascular_zone_met="yes"), ["answered yes", "WW"]),
    ("not_vascular_yet_red", repaired(RED, MIXED, vascular_zone_met="no"), ["answered no", "RR and RW"]),
    ("unstable_yet_stable", repaired(STABLE, STABLE, unstable_on_probing="yes"), ["answered yes", "stable"]),
    ("ramp_with_intact_acl", an_operation({}, RAMP, acl="intact"), ["tear 2", "ACL is intact"]),
    ("ramp_not_looked_for", an_operation(RAMP, RAMP, posteromedial_look="not_looked"), ["tears 1 and 2"]),
    ("staged_without_ligament", an_operation(**ACL_LEFT, staging="repair_first"), ["later", "no ligament"]),
    ("ligament_staged_in_single", an_operation(acl="staged", staging="single"), ["ACL", "staged", "single"]),
    ("implant_expired", expiring(date(2025, 2, 28)), ["lot A1", "2025-02-28", "2025-03-01"]),
    ("implant_expired", expiring(date(2025, 2, 28), lot="", serial="S7"), ["serial S7"]),
    ("healed_yet_unstable", seen_again("healed", stable=False), ["92 %", "100 %", "not stable"]),
]  # fmt: skip

# Code, and a case just beside its border.
NOT_ASKED = [
    ("zone_1_white_white", a_tear(rim_zone=1, vascular_zone="RW")),
    ("zone_1_white_white", a_tear(rim_zone=2, vascular_zone="WW")),
    ("zone_3_red_red", a_tear(rim_zone=3, vascular_zone="RW")),
    ("zone_3_red_red", a_tear(rim_zone=2, vascular_zone="RR")),
    ("bucket_handle_in_place", a_tear(pattern="bucket_handle", displaced=True)),
    ("bucket_handle_in_place", a_tear(pattern="longitudinal", displaced=False)),
    *(("map_step_elsewhere", mapped(step, "root")) for step in (1, 12)),
    *(("map_step_elsewhere", mapped(step, "anterior")) for step in (2, 4)),
    *(("map_step_elsewhere", mapped(step, "middle")) for step in (5, 8)),
    *(("map_step_elsewhere", mapped(step, "posterior")) for step in (9, 11)),
    ("map_step_elsewhere", mapped(13, "root")),  # no step: refused elsewhere
    ("blood_unusual", Case(repair={"prp_blood_ml": 10})),
    ("blood_unusual", Case(repair={"prp_blood_ml": 60})),
    ("spacing_unusual", spaced("1", "10")),
    ("aligned_beyond_limit", aligned("yes", "-5")),
    ("aligned_beyond_limit", aligned("no", "-5.1")),
    ("misaligned_within_limit", aligned("no", "-5.1")),
    ("misaligned_within_limit", aligned("no", "5.1")),
    ("misaligned_within_limit", aligned("not_assessed", "0")),
    ("stable_with_torn_ligament", an_operation(knee_stable="yes", acl="treated_here")),
    ("stable_with_torn_ligament", an_operation(knee_stable="no", acl="left")),
    ("vascular_yet_white", repaired(WHITE, MIXED, vascular_zone_met="yes")),
    ("vascular_yet_white", repaired({**RED, "treatment": "part_repaired"}, WHITE, vascular_zone_met="yes")),
    ("vascular_yet_white", repaired({**WHITE, "treatment": "removed"}, vascular_zone_met="yes")),
    ("vascular_yet_white", repaired(vascular_zone_met="yes")),
    ("not_vascular_yet_red", repaired(RED, WHITE, vascular_zone_met="no")),
    ("unstable_yet_stable", repaired(STABLE, UNSTABLE, unstable_on_probing="yes")),
    ("unstable_yet_stable", repaired(STABLE, unstable_on_probing="no")),
    ("ramp_with_intact_acl", an_operation(RAMP, acl="treated_here")),
    ("ramp_with_intact_acl", an_operation({"pattern": "radial"}, acl="intact")),
    ("ramp_not_looked_for", an_operation(RAMP, posteromedial_look="through_notch")),
    ("ramp_not_looked_for", an_operation({"pattern": "radial"}, posteromedial_look="not_looked")),
    ("staged_without_ligament", an_operation(**ACL_STAGED, staging="repair_first")),
    ("staged_without_ligament", an_operation(**INTACT, staging="ligament_first")),
    ("ligament_staged_in_single", an_operation(acl="staged", staging="repair_first")),
    ("ligament_staged_in_single", an_operation(acl="left", staging="single")),
    ("implant_expired", expiring(OPERATED_ON)),
    ("implant_expired", expiring(date(2025, 3, 2))),
    ("healed_yet_unstable", seen_again("healed", stable=True)),
    ("healed_yet_unstable", seen_again("partly", stable=False)),
    ("healed_yet_unstable", seen_again(None, stable=False)),
]  # fmt: skip

# A value that only makes the text fuller, or that others of the same kind stand in for.
NOT_NEEDED = {
    "spacing_unusual": ("spacing_mm",),
    "implant_expired": ("lot", "serial"),
    "ramp_not_looked_for": ("pattern",),
}


@pytest.mark.parametrize(("code", "case", "named"), ASKED)
def test_a_rule_asks_in_one_sentence_that_names_the_values(code: str, case: Case, named: list[str]) -> None:
    assert case.codes() == {code}
    (question,) = case.questions()
    assert question.text.endswith("?")
    assert question.text.count("?") == 1
    assert question.source
    assert [value for value in named if value not in question.text] == []


@pytest.mark.parametrize(("code", "case"), NOT_ASKED)
def test_a_rule_stops_at_its_border(code: str, case: Case) -> None:
    assert code not in case.codes()


@pytest.mark.parametrize(("code", "case"), [(code, case) for code, case, _ in ASKED])
def test_any_value_unknown_silences_the_rule(code: str, case: Case) -> None:
    for unknown in case.with_one_value_unknown(*NOT_NEEDED.get(code, ())):
        assert code not in unknown.codes()


def test_every_rule_is_asked_here() -> None:
    tables = (table for name, table in vars(questions).items() if name.endswith("_RULES"))
    codes = [rule.code for table in tables for rule in table]
    assert sorted(codes) == sorted({code for code, *_ in ASKED})
    assert {code for code, _ in NOT_ASKED} == set(codes)


def test_a_unit_sets_its_own_limit_of_varus() -> None:
    operation = {"alignment_acceptable": "yes", "hka_deg": Decimal("-4")}
    (question,) = operation_questions(operation, [], Decimal("3.0"))
    assert "4 deg varus, beyond the limit of 3 deg varus" in question.text


def test_questions_about_a_tear_say_which() -> None:
    case = a_tear(rim_zone=1, vascular_zone="WW")
    assert [question.tear for question in case.questions()] == [1]
    assert [question.tear for question in aligned("yes", "-9").questions()] == [None]


def test_without_a_date_of_operation_no_implant_is_asked_about() -> None:
    assert implant_questions([{"lot": "A1", "expires_on": date(2000, 1, 1)}], None) == []


# --- whatever the values -------------------------------------------------------------------------


def some(**fields: st.SearchStrategy[Any]) -> st.SearchStrategy[Row]:
    return st.fixed_dictionaries(fields)


def one_of(*codes: object) -> st.SearchStrategy[Any]:
    return st.sampled_from(codes)


ANSWER = one_of("yes", "no", "not_assessed")
LIGAMENT = one_of("intact", "treated_here", "staged", "left", "reconstructed_before")
TEAR = some(
    pattern=one_of("ramp", "bucket_handle", "radial"),
    rim_zone=st.integers(1, 3),
    vascular_zone=one_of("RR", "RW", "WW"),
    displaced=st.booleans(),
    unstable=st.booleans(),
    map_step=st.integers(1, 12),
    radial_location=one_of("anterior", "middle", "posterior", "root"),
    treatment=one_of("repaired", "part_repaired", "removed", "left"),
)
OPERATION = some(
    alignment_acceptable=ANSWER,
    knee_stable=ANSWER,
    vascular_zone_met=ANSWER,
    unstable_on_probing=ANSWER,
    hka_deg=st.decimals(-30, 30, places=1),
    posteromedial_look=one_of("through_notch", "probed", "not_looked"),
    staging=one_of("single", "repair_first", "ligament_first"),
    **dict.fromkeys(LIGAMENTS, LIGAMENT),
)
CASES = st.builds(
    Case,
    operation=OPERATION,
    tears=st.lists(TEAR, max_size=3).map(tuple),
    repair=some(prp_blood_ml=st.integers(1, 200)),
    passes=st.lists(some(spacing_mm=st.decimals("0.5", 30, places=1)), max_size=3).map(tuple),
    implants=st.lists(some(lot=st.just("A1"), expires_on=st.dates()), max_size=2).map(tuple),
    finding=some(
        healed_thickness_percent=st.integers(0, 100),
        healed_length_percent=st.integers(0, 100),
        stable_on_probing=st.booleans(),
    ),
    healing_class=one_of("healed", "partly", "failed", None),
)
BLANK = st.sampled_from([None, ""])
anything = settings(deadline=None, derandomize=True, max_examples=100)


@anything
@given(CASES)
def test_knowing_less_never_asks_more(case: Case) -> None:
    asked = case.codes()
    for unknown in case.with_one_value_unknown():
        assert unknown.codes() <= asked


@anything
@given(CASES, BLANK)
def test_nothing_known_asks_nothing(case: Case, blank: str | None) -> None:
    def emptied(row: Row) -> Row:
        return dict.fromkeys(row, blank)

    rows = {name: emptied(getattr(case, name)) for name in ("operation", "repair", "finding")}
    lists = {name: tuple(map(emptied, getattr(case, name))) for name in ("tears", "passes", "implants")}
    assert case._replace(**rows, **lists).questions() == []
    assert Case(tears=({}, {}), passes=({},), implants=({},)).questions() == []


@anything
@given(CASES)
def test_no_two_questions_share_code_and_tear_and_all_ask(case: Case) -> None:
    asked = case.questions()
    assert len({(question.code, question.tear) for question in asked}) == len(asked)
    assert all(question.text.endswith("?") for question in asked)

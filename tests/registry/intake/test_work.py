"""From a file to the record: rehearsed without a trace, then taken in whole as it was rehearsed."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied

from outcomes.timeline import entered_late
from registry.intake import files, work
from registry.intake.columns.mapping import Column, Mapping, SheetMapping
from registry.intake.file.sheet import FileRefused
from registry.intake.files import NotNow
from registry.intake.work import NotAsRehearsed
from registry.models import (
    Identity,
    IndexProcedure,
    Intake,
    IntakeMemory,
    IntakeRow,
    Knee,
    Patient,
    Reoperation,
    Repair,
    ScoreResponse,
    SecondLookFinding,
    SuturePass,
    Tear,
    Visit,
)
from registry.models.history_rules import kept_models
from registry.telling import silently
from tests import factories
from tests.conftest import Cast
from tests.registry.intake.old_notes import (
    LOOK,
    OPERATION,
    PERSON,
    REPAIRED,
    TEAR,
    VISIT,
    begun,
    counts,
    rehearsed,
    taken_in,
    told,
)


def on_record() -> dict[str, int]:
    return {model.__name__: model.ever.count() for model in kept_models()}


def test_a_wide_row_becomes_all_it_tells(cast: Cast) -> None:
    intake, report = taken_in(
        cast,
        {
            **REPAIRED,
            "patient.given_names": "Ada",
            "operation.bmi": "27.5",
            "operation.injured_days_before": "20",
            "passes1.configuration": "vertical",
            "passes1.number": "3",
            "rehabilitation.course": "planned",
            "rehabilitation.brace_weeks": "6",
            "tear2.meniscus": "lateral",
            "tear2.pattern": "radial",
            "tear2.treatment": "left",
            "visit.seen_on": "2019-09-02",
            **LOOK,
            "look1.healed_thickness_percent": "95",
            "look2.stable_on_probing": "no",
            "score.answered_on": "2019-09-02",
            "score.lysholm.limp": "5",
        },
    )
    assert counts(report) == {
        "patients": {"new": 1},
        "operations": {"new": 1},
        "tears": {"new": 2},
        "events": {"new": 3},
    }
    procedure = IndexProcedure.objects.get(operated_on=date(2019, 3, 1))
    assert (procedure.from_old_notes, procedure.recorded_by) == (True, cast.surgeon)
    assert (procedure.bmi, procedure.injured_on) == (Decimal("27.5"), date(2019, 2, 9))
    assert procedure.knee.patient.identity.opened()["given_names"] == "Ada"
    first, second = procedure.tears.order_by("pk")
    assert first.is_repaired
    assert first.repair.all_inside
    assert first.repair.passes.get().number == 3
    assert (second.treatment, second.standing_repair) == ("left", None)
    assert procedure.rehabilitation.get().brace_weeks == 6
    assert {finding.tear: finding.stable_on_probing for finding in SecondLookFinding.objects.all()} == {
        first: None,
        second: False,
    }
    assert ScoreResponse.objects.get().items == {"limp": 5}
    brought = {(row.row_table, row.row_id) for row in IntakeRow.objects.filter(intake=intake)}
    assert ("registry_tear", second.pk) in brought
    assert len(brought) == 14


def test_what_came_from_old_notes_enters_survival_late(cast: Cast) -> None:
    taken_in(cast, {**REPAIRED, "operation.operated_on": f"{date.today() - timedelta(days=5)}"})
    late = Repair.objects.filter(entered_late()).get()
    assert late.tear.procedure.from_old_notes


def test_a_rehearsal_leaves_no_trace(cast: Cast) -> None:
    before = on_record()
    intake = begun(cast, REPAIRED, {**VISIT, "visit.flexion_deg": "400"}, VISIT)
    report = work.rehearse(intake, silently)
    assert on_record() == before
    assert report.new == 4
    assert files.report_of(Intake.objects.get()) == report
    assert "H 100" not in Intake.objects.get().report_sealed


def test_a_rehearsal_promises_what_is_taken_in(cast: Cast) -> None:
    rows = [
        REPAIRED,
        {**REPAIRED, "patient.hospital_number": "H 101", "operation.operated_on": "1980-01-01"},
        {
            **REPAIRED,
            "patient.hospital_number": "H 102",
            "tear1.pattern": "ramp",
            "tear1.meniscus": "lateral",
        },
        VISIT,
    ]
    promised = rehearsed(cast, *rows)
    before = on_record()
    _, kept = taken_in(cast, *rows)
    assert kept == promised
    after = on_record()
    assert after["Patient"] - before["Patient"] == promised.counts["patients"]["new"] == 1
    assert after["IndexProcedure"] - before["IndexProcedure"] == promised.counts["operations"]["new"] == 1
    assert after["Tear"] - before["Tear"] == promised.counts["tears"]["new"] == 1
    assert after["Visit"] - before["Visit"] == promised.counts["events"]["new"] == 1


def test_the_same_file_twice_changes_nothing(cast: Cast) -> None:
    rows = [{**REPAIRED, **LOOK, "look1.healed_thickness_percent": "95"}, VISIT]
    taken_in(cast, *rows)
    before = on_record()
    _, again = taken_in(cast, *rows, name="another name.csv")
    assert again.new == 0
    assert counts(again) == {
        "patients": {"on_record": 1},
        "operations": {"on_record": 1},
        "tears": {"on_record": 1},
        "events": {"on_record": 2},
    }
    assert on_record() == before


def test_what_breaks_a_rule_is_told_at_its_cell(cast: Cast) -> None:
    report = rehearsed(
        cast,
        {**REPAIRED, "operation.injured_on": "2019-03-05"},
        {**REPAIRED, "patient.hospital_number": "H 101", "tear1.rim_zone": "1", "tear1.rim_width_mm": "4"},
        {**REPAIRED, "patient.hospital_number": "H 102", "patient.sex": ""},
    )
    first, second, third = report.problems
    assert (first.row, first.header) == (2, "operation.injured_on")
    assert first.value == "2019-03-05"
    assert first.rule == "The injury is dated after the operation."
    assert first.mend == "Correct one of the dates."
    assert (second.row, second.header) == (3, "tear1.rim_width_mm")
    assert second.rule.startswith("The rim width measured and the rim zone disagree")
    assert (third.row, third.column, third.rule) == (4, "", "Sex is needed and not said.")
    assert counts(report) == {
        "patients": {"refused": 3},
        "operations": {"refused": 3},
        "tears": {"refused": 3},
    }


def test_an_event_goes_with_its_refused_operation(cast: Cast) -> None:
    report = rehearsed(cast, {**REPAIRED, "operation.injured_on": "2019-03-05"}, VISIT)
    assert counts(report)["events"] == {"refused": 1}
    assert "is not taken in: see row 2" in report.problems[-1].rule
    assert report.problems[-1].row == 3


def test_a_row_that_only_the_database_refuses_is_found_and_the_rest_taken_in(cast: Cast) -> None:
    factories.a_failure(cast.repair, 30)
    others = [{**REPAIRED, "patient.hospital_number": f"H {number}"} for number in range(200, 205)]
    ended = {"end.ended_on": "2019-12-01", "end.reason": "moved"}
    again = {"end.ended_on": "2019-12-02", "end.reason": "moved"}
    who = {"patient.hospital_number": "H 202"}
    report = rehearsed(cast, *others, {**who, **ended}, {**who, **again})
    assert counts(report)["operations"] == {"new": 5}
    assert counts(report)["events"] == {"new": 1, "refused": 1}
    assert told(report) == [(8, "The end of follow-up is on record.")]


def test_follow_up_may_stand_before_its_operation(cast: Cast) -> None:
    _, report = taken_in(cast, VISIT, REPAIRED)
    assert counts(report)["events"] == {"new": 1}
    assert Visit.objects.get().knee.procedures.get().operated_on == date(2019, 3, 1)


def test_follow_up_of_an_operation_on_record(cast: Cast) -> None:
    taken_in(cast, REPAIRED)
    _, report = taken_in(
        cast,
        {
            **VISIT,
            "knee.side": "left",
            "reoperation.operated_on": "2020-01-01",
            "reoperation1.action": "re_repair",
        },
    )
    assert counts(report) == {"patients": {"on_record": 1}, "events": {"new": 2}}
    assert Reoperation.objects.get().on_tears.get().tear == Tear.objects.latest("pk")


def test_what_changed_since_the_rehearsal_stops_the_taking_in(cast: Cast) -> None:
    intake = begun(cast, REPAIRED)
    work.rehearse(intake, silently)
    taken_in(cast, {**REPAIRED, "operation.bmi": "25"})
    before = on_record()
    with pytest.raises(NotAsRehearsed, match="Rehearse it again"):
        work.take_in(intake, cast.surgeon, silently)
    assert on_record() == before
    assert counts(work.rehearse(intake, silently))["operations"] == {"on_record": 1}


def test_it_is_taken_in_once(cast: Cast) -> None:
    intake, _ = taken_in(cast, REPAIRED)
    with pytest.raises(NotNow, match="it is taken in"):
        work.take_in(intake, cast.surgeon, silently)
    with pytest.raises(NotNow, match="it is taken in"):
        work.rehearse(intake, silently)
    assert Patient.objects.filter(identity__in=Identity.objects.all()).count() == 1


def test_the_file_goes_and_its_problems_lose_their_values(cast: Cast) -> None:
    intake, report = taken_in(cast, REPAIRED, {**VISIT, "visit.flexion_deg": "400"})
    assert [problem.value for problem in report.problems] == ["400"]
    intake.refresh_from_db()
    assert intake.file_sealed is None
    kept = files.report_of(intake)
    assert kept is not None
    assert [(problem.row, problem.value) for problem in kept.problems] == [(3, "")]
    assert kept.counts == report.counts
    with pytest.raises(NotNow, match="no longer kept"):
        files.content_of(intake)


def test_it_is_stopped_by_whom_it_tells(cast: Cast) -> None:
    intake = begun(cast, REPAIRED)
    work.rehearse(intake, silently)

    def stop(step: str, done: int, total: int) -> None:
        if step == "Taking in" and done:
            raise KeyboardInterrupt

    before = on_record()
    with pytest.raises(KeyboardInterrupt):
        work.take_in(intake, cast.surgeon, stop)
    assert on_record() == before
    assert not IntakeRow.objects.exists()


# --- the file on its way ------------------------------------------------------------------------


def test_a_file_is_kept_sealed_until_it_is_dropped(cast: Cast) -> None:
    intake = begun(cast, REPAIRED)
    intake.refresh_from_db()
    assert b"H 100" in files.content_of(intake)
    assert b"H 100" not in bytes(intake.file_sealed)
    files.drop(intake, cast.surgeon)
    intake.refresh_from_db()
    assert (intake.state, intake.file_sealed, intake.report_sealed) == ("dropped", None, "")
    with pytest.raises(NotNow, match="it is dropped"):
        files.set_mapping(intake, cast.surgeon, Mapping())


def test_an_unreadable_file_is_refused_at_once(cast: Cast) -> None:
    with pytest.raises(FileRefused):
        files.begin(cast.unit, cast.surgeon, "scan.pdf", b"%PDF-1.7")
    assert not Intake.objects.exists()


@pytest.mark.parametrize("who", ["clinician", "audit_lead", "administrator", "stranger"])
def test_only_who_may_take_in_begins_and_takes_in(cast: Cast, who: str) -> None:
    with pytest.raises(PermissionDenied):
        files.begin(cast.unit, getattr(cast, who), "old.csv", b"Patient\n1\n")
    intake = begun(cast, REPAIRED)
    work.rehearse(intake, silently)
    with pytest.raises(PermissionDenied):
        work.take_in(intake, getattr(cast, who), silently)


def test_another_meaning_makes_the_rehearsal_void(cast: Cast) -> None:
    intake = begun(cast, REPAIRED)
    work.rehearse(intake, silently)
    files.set_mapping(intake, cast.surgeon, files.mapping_of(intake))
    assert files.report_of(intake) is None
    with pytest.raises(NotNow, match="Rehearse it first"):
        work.take_in(intake, cast.surgeon, silently)


def test_open_questions_come_before_the_rehearsal(cast: Cast) -> None:
    intake = begun(cast, {**REPAIRED, "tear1.pattern": "Frobnicated"})
    with pytest.raises(work.QuestionsOpen, match="has to be said first") as refused:
        work.rehearse(intake, silently)
    assert refused.value.questions


def test_what_columns_mean_is_remembered_for_the_unit(cast: Cast) -> None:
    row = {**REPAIRED, "Zz": "left", "patient.hospital_number": "H 9"}
    intake = begun(cast, row)
    columns = files.mapping_of(intake).sheets[0].columns
    meant = tuple(
        Column(each.place, each.header, "tear1.treatment", meanings={"left": "part_repaired"})
        if each.header == "Zz"
        else each
        for each in columns
    )
    files.set_mapping(intake, cast.surgeon, Mapping((SheetMapping("old notes", columns=meant),)))
    work.rehearse(intake, silently)
    work.take_in(intake, cast.surgeon, silently)
    assert IntakeMemory.objects.get().unit == cast.unit
    content = b"\n".join(
        [",".join(row).encode(), ",".join({**row, "patient.hospital_number": "H 10"}.values()).encode()]
    )
    guessed = files.mapping_of(files.begin(cast.unit, cast.surgeon, "next.csv", content))
    assert {each.header: each.target for each in guessed.sheets[0].columns}["Zz"] == "tear1.treatment"
    assert Repair.objects.latest("pk").tear.treatment == "part_repaired"


def test_many_people_are_brought_in_chunks(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(work, "PEOPLE_AT_ONCE", 4)
    rows = [{**REPAIRED, "patient.hospital_number": f"H {number}"} for number in range(10)]
    steps: list[tuple[str, int, int]] = []
    intake = begun(cast, *rows, VISIT | {"patient.hospital_number": "h7"})
    report = work.rehearse(intake, lambda *step: steps.append(step))
    assert counts(report)["patients"] == {"new": 10}
    assert [step for step in steps if step[0] == "Rehearsing"] == [
        ("Rehearsing", done, 10) for done in (0, 4, 8, 10)
    ]
    assert counts(work.take_in(intake, cast.surgeon, silently))["events"] == {"new": 1}


def test_passes_alone_tell_a_repair_that_still_needs_its_technique(cast: Cast) -> None:
    row = {**OPERATION, "tear1.meniscus": "medial", "tear1.pattern": "radial", "passes1.number": "2"}
    other = {**REPAIRED, "patient.hospital_number": "H 101"}
    report = rehearsed(cast, {**row, "passes1.configuration": "vertical"}, other)
    assert told(report) == [(2, "A repair needs at least one technique.")]
    assert not SuturePass.objects.exists()


def test_an_operation_without_a_tear_is_refused(cast: Cast) -> None:
    report = rehearsed(cast, OPERATION)
    assert counts(report)["operations"] == {"refused": 1}
    assert report.problems[0].rule.startswith("No tear of this operation is told")


def test_people_alone_are_left_out(cast: Cast) -> None:
    report = rehearsed(cast, REPAIRED, {**PERSON, "patient.hospital_number": "H 7"})
    assert (report.rows, report.left_out) == (1, 1)
    assert counts(report)["patients"] == {"new": 1}
    assert any("1 rows of people" in note for note in report.notes)


def test_a_year_of_birth_stands_in_its_middle(cast: Cast) -> None:
    row = {name: value for name, value in REPAIRED.items() if name != "patient.born_on"}
    taken_in(cast, {**row, "patient.born_year": "1988"})
    patient = Identity.objects.get().patient
    assert (patient.born_on, patient.born_on_is_exact) == (date(1988, 7, 1), False)


def test_two_knees_of_one_patient(cast: Cast) -> None:
    taken_in(cast, REPAIRED, {**REPAIRED, "knee.side": "right", **TEAR})
    assert Knee.objects.filter(patient=Identity.objects.get().patient).count() == 2

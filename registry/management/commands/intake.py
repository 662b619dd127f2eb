"""Old records out of a spreadsheet: rehearsed, taken in, undone, listed, worked on in the background."""

import json
from argparse import ArgumentParser
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, ClassVar
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.core.management.base import CommandError
from django.http import Http404

from registry.access import Action, unit_for, units_for
from registry.intake import files, jobs
from registry.intake.columns.mapping import Mapping as MeaningOfFile
from registry.intake.columns.mapping import SheetMapping
from registry.intake.columns.questions import questions
from registry.intake.columns.targets import TARGETS
from registry.intake.file import limits
from registry.intake.file.annotating import annotated
from registry.intake.file.sheet import FileRefused
from registry.intake.files import NotNow
from registry.intake.report import Report
from registry.intake.undoing import undo
from registry.management import intake_lines
from registry.management.example import CommandWithExample, add_act
from registry.management.progress import progress
from registry.models import Intake, Unit, User
from registry.vocabulary import IntakeState

NOT_TAKEN_IN, REFUSED = 1, 2
REHEARSE = "intake rehearse repairs.xlsx --unit northmere --as oak --annotated marked.xlsx"
TAKE_IN = "intake take-in repairs.xlsx --unit northmere --as oak --leave-refused"
UNDO = "intake undo 6b1e... --as oak --reason 'wrong file'"


class Command(CommandWithExample):
    help = "Rehearse a file of old records, take it in, undo that, and list what was brought."
    exit_codes: ClassVar[Mapping[int, str]] = {
        0: "all is well",
        NOT_TAKEN_IN: "the file has problems or open questions, and nothing was taken in",
        REFUSED: "refused, and nothing was changed; the reason is on stderr",
    }
    example = REHEARSE

    def add_arguments(self, parser: ArgumentParser) -> None:
        acts = parser.add_subparsers(dest="act", required=True, metavar="{rehearse,take-in,undo,list,work}")
        words = "Do all that taking in would do, and keep nothing of it."
        _add_file(add_act(acts, "rehearse", words, REHEARSE))
        take_in = add_act(acts, "take-in", "Rehearse a file, then take it in as a whole.", TAKE_IN)
        _add_file(take_in)
        take_in.add_argument("--leave-refused", action="store_true", help="go on without what has a problem")
        undoing = add_act(acts, "undo", "Withdraw all that an intake brought.", UNDO)
        undoing.add_argument("intake", type=UUID, help="its key, as intake list prints it")
        undoing.add_argument("--reason", required=True, help="why; kept with the user's name and the time")
        words = "List what was brought; files that nobody went on with for 30 days are dropped."
        listing = add_act(acts, "list", words, "intake list --as oak")
        for each in (undoing, listing):
            _add_person(each)
        words = "Work on an intake in the background; the site starts this itself."
        work_on = add_act(acts, "work", words, "intake work 6b1e...")
        work_on.add_argument("intake", type=UUID, help="its key")

    def handle(self, **options: Any) -> None:
        acts: dict[str, Callable[..., None]] = {
            "rehearse": self._bring,
            "take-in": self._bring,
            "undo": self._undo,
            "list": self._list,
            "work": self._work,
        }
        with _said_in_words():
            acts[options["act"]](**options)

    def _bring(self, **options: Any) -> None:
        person = _person(options["person"])
        intake = _begun(person, options)
        try:
            self._through(intake, person, options)
        finally:
            if intake.state != IntakeState.TAKEN_IN:
                intake.delete()

    def _through(self, intake: Intake, person: User, options: dict[str, Any]) -> None:
        """Say what is open, or rehearse it, and take it in where that is wanted and nothing is in the way."""
        if options["mapping_out"]:
            options["mapping_out"].write_text(json.dumps(intake.mapping, indent=2, ensure_ascii=False))
        asked = questions(files.sheets_of(intake), files.mapping_of(intake), files.known_of(intake.unit))
        if asked:
            said = {"questions": [intake_lines.as_json(each) for each in asked]}
            self._say(said, map(intake_lines.line, asked), as_json=options["json"])
            raise SystemExit(NOT_TAKEN_IN)
        jobs.ask_for_rehearsal(intake, person)
        report = _worked(intake, IntakeState.REHEARSED)
        if options["annotated"]:
            marked = annotated(files.content_of(intake), intake.file_name, report.problems)
            options["annotated"].write_bytes(marked)
        if options["act"] == "take-in" and report.new and (options["leave_refused"] or not report.problems):
            jobs.ask_to_take_in(intake, person, leave_refused=options["leave_refused"])
            report = _worked(intake, IntakeState.TAKEN_IN)
        self._say_found(intake, report, options)

    def _say_found(self, intake: Intake, report: Report, options: dict[str, Any]) -> None:
        is_in = intake.state == IntakeState.TAKEN_IN
        said = {"intake": str(intake.uuid) if is_in else None, "report": report.as_json()}
        self._say(said, intake_lines.lines(intake, report), as_json=options["json"])
        if report.problems and not is_in:
            raise SystemExit(NOT_TAKEN_IN)

    def _undo(self, intake: UUID, person: str, reason: str, json: bool, **_: Any) -> None:
        user = _person(person)
        found = _intakes(user).filter(uuid=intake).first()
        if found is None:
            raise _refused(f"No intake of {user.username}'s units is called {intake}; see intake list.")
        undo(found, user, reason)
        said = {"intake": str(intake), "state": found.state}
        self._say(said, ["Undone: all that it brought is withdrawn."], as_json=json)

    def _list(self, person: str, json: bool, **_: Any) -> None:
        user = _person(person)
        jobs.drop_forgotten(_intakes(user), user)
        found = [
            {"intake": str(each.uuid), "unit": each.unit.code, "state": each.state, "file": each.file_name}
            for each in _intakes(user).select_related("unit")
        ]
        self._say(found, ("  ".join(each.values()) for each in found), as_json=json)

    def _work(self, intake: UUID, **_: Any) -> None:
        found = Intake.objects.filter(uuid=intake).first()
        if found is None:
            raise _refused(f"No intake is called {intake}.")
        jobs.run(found)

    def _say(self, said: Any, lines: Iterable[str], *, as_json: bool) -> None:
        self.stdout.write(json.dumps(said) if as_json else "\n".join(lines))


def _add_file(parser: ArgumentParser) -> None:
    parser.add_argument("file", type=Path, help="workbook (.xlsx, .xlsm) or separated text")
    parser.add_argument("--unit", required=True, metavar="CODE", help="the unit that the records are of")
    _add_person(parser)
    parser.add_argument("--mapping", type=Path, help="what columns and values mean, from --mapping-out")
    parser.add_argument("--mapping-out", type=Path, help="write what they are taken to mean, to be edited")
    parser.add_argument(
        "--annotated", type=Path, metavar="OUT.xlsx", help="write the file with its problems marked"
    )


def _add_person(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--as", dest="person", required=True, metavar="USERNAME", help="user who may take in for the unit"
    )
    parser.add_argument("--json", action="store_true", help="print what was found or done as JSON")


def _begun(person: User, options: dict[str, Any]) -> Intake:
    unit = _unit(person, options["unit"])
    try:
        with options["file"].open("rb") as file:
            content = file.read(limits.LIMIT_BYTES + 1)
    except OSError as error:
        raise _refused(f"{options['file']} cannot be read: {error.strerror}.") from error
    intake = files.begin(unit, person, options["file"].name, content)
    if options["mapping"]:
        try:
            files.set_mapping(intake, person, _mapping(options["mapping"], files.mapping_of(intake)))
        except BaseException:
            intake.delete()
            raise
    return intake


def _mapping(path: Path, of_file: MeaningOfFile) -> MeaningOfFile:
    """A mapping that was written for a file with the same sheets and columns."""
    try:
        said = MeaningOfFile.from_json(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, KeyError, TypeError) as error:
        why = type(error).__name__
        raise _refused(f"--mapping: {path} is not what --mapping-out writes ({why}).") from error
    if _places(said) != _places(of_file):
        raise _refused(f"--mapping: {path} is of a file with other sheets or columns. Write it anew.")
    for target in (target for sheet in said.sheets for target in _targets(sheet)):
        if target not in TARGETS:
            raise _refused(f"--mapping: '{target}' is nothing that a column can fill. Correct it.")
    return said


def _places(said: MeaningOfFile) -> list[tuple[str, list[int]]]:
    return [(sheet.sheet, [column.place for column in sheet.columns]) for sheet in said.sheets]


def _targets(sheet: SheetMapping) -> list[str]:
    return [*(column.target for column in sheet.columns if column.target), *sheet.fixed]


def _worked(intake: Intake, wanted: IntakeState) -> Report:
    """Do the next part in this process, with its progress on stderr; what it found."""
    with progress() as listen:
        jobs.run(intake, listen)
    report = files.report_of(intake)
    if intake.state != wanted or report is None:
        raise _refused(intake.told or f"It is {intake.get_state_display().lower()}.")
    return report


def _person(username: str) -> User:
    person = User.objects.filter(username=username).first()
    if person is None:
        raise _refused(f"--as: no user named '{username}'. Give a user name that exists.")
    return person


def _unit(person: User, code: str) -> Unit:
    try:
        return unit_for(person, code, Action.TAKE_IN)
    except (Http404, PermissionDenied) as refusal:
        raise _refused(f"--unit: {person.username} may not take in for a unit '{code}'.") from refusal


def _intakes(person: User) -> Any:
    return Intake.objects.filter(unit__in=units_for(person, Action.TAKE_IN)).defer("file_sealed")


def _refused(words: str) -> CommandError:
    return CommandError(words, returncode=REFUSED)


@contextmanager
def _said_in_words() -> Iterator[None]:
    try:
        yield
    except (FileRefused, NotNow) as refusal:
        raise _refused(str(refusal)) from refusal

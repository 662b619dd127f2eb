"""De-identified releases of rows: made, worked on in the background, taken up again, listed."""

import json
from argparse import ArgumentParser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.exceptions import PermissionDenied, ValidationError
from django.core.management.base import CommandError

from outcomes.failure import REOPERATION
from outcomes.files import write_whole
from outcomes.models import CohortVersion, NamedCohort
from outcomes.models.release import JobState, ReleaseJob
from outcomes.release import making, store, work
from outcomes.release.asked import USUAL_K, Asked
from registry.access import Action, units_for
from registry.management.example import CommandWithExample, add_act
from registry.management.progress import progress
from registry.models import User

# The attributes that a release tells of unless others are named.
USUAL_ATTRIBUTES = ("age", "sex", "side", "ligament")
MAKE_EXAMPLE = (
    "release make --by coordinator --cohort 'All repairs' --project zones --purpose 'failure by zone' "
    "--approval REC-2026-014 --recipient 'Institute of invented studies' --steward data@example.org "
    "--out releases"
)


class Command(CommandWithExample):
    help = "Make de-identified releases of rows, go on with one that broke off, and list those in the making."
    example = MAKE_EXAMPLE

    def add_arguments(self, parser: ArgumentParser) -> None:
        acts = parser.add_subparsers(dest="act", required=True, metavar="{make,go-on,list,work}")
        _add_what_is_asked(
            add_act(
                acts,
                "make",
                "Make a release, or with --preview only look at what it would hold.",
                MAKE_EXAMPLE,
            )
        )
        go_on = add_act(
            acts,
            "go-on",
            "Go on with a release that broke off.",
            "release go-on 6b1e... --by coordinator",
        )
        go_on.add_argument("job", type=UUID, help="its key, as release list prints it")
        go_on.add_argument("--by", required=True, help="user name of the person who may release")
        go_on.add_argument("--out", type=Path, help="folder to copy the package to")
        go_on.add_argument("--json", action="store_true", help="print what the ledger keeps, as JSON")
        listing = add_act(acts, "list", "List the releases in the making.", "release list")
        listing.add_argument("--json", action="store_true", help="print them as JSON")
        work_on = add_act(
            acts,
            "work",
            "Work on a release in the background; the site starts this itself.",
            "release work 6b1e...",
        )
        work_on.add_argument("job", type=UUID, help="its key")

    def handle(self, **options: Any) -> None:
        acts: dict[str, Callable[..., None]] = {
            "make": self._make,
            "go-on": self._go_on,
            "list": self._list,
            "work": self._work,
        }
        acts[options["act"]](**options)

    def _make(self, **options: Any) -> None:
        person = _person(options["by"])
        asked = _asked(person, options)
        with _said_in_words():
            making.gate(asked, person)
        job = ReleaseJob.objects.create(asked_by=person, asked=asked.as_json())
        self._through(job, JobState.PREPARED)
        if options["preview"]:
            work.cancel(job, person)
            self.stdout.write(json.dumps(job.preview) if options["json"] else _in_lines(job))
            return
        self._finish(job, person, options["out"], as_json=options["json"])

    def _go_on(self, job: UUID, by: str, out: Path | None, json: bool, **_: Any) -> None:
        found, person = _job(job), _person(by)
        with _said_in_words():
            making.gate(Asked.from_json(found.asked), person)
        store.settle()
        work.wake(found)
        if found.state in (JobState.ASKED, JobState.PREPARING):
            self._through(found, JobState.PREPARED)
        self._finish(found, person, out, as_json=json)

    def _list(self, **options: Any) -> None:
        jobs = ReleaseJob.objects.exclude(state__in=(JobState.RELEASED, JobState.CANCELLED))
        if options["json"]:
            self.stdout.write(json.dumps([_listed(job) for job in jobs]))
            return
        for job in jobs:
            said = f"{job.uuid}  {job.get_state_display():<20} {job.asked['project']}  {job.told}"
            self.stdout.write(said.rstrip())

    def _work(self, job: UUID, **_: Any) -> None:
        work.run(_job(job))

    def _finish(self, job: ReleaseJob, person: User, out: Path | None, *, as_json: bool) -> None:
        """Release what was prepared, by this person's word."""
        ready = ReleaseJob.objects.filter(pk=job.pk, state=JobState.PREPARED)
        ready.update(state=JobState.CONFIRMED, confirmed_by=person)
        if job.state != JobState.RELEASED:
            self._through(job, JobState.RELEASED)
        assert job.entry  # noqa: S101 - a released job has its entry
        said, path = job.entry.said, store.package_of(job.entry)
        assert path  # noqa: S101 - it was just published
        if out:
            path = _copied(path, out / f"release-{job.entry.uuid}.zip")
        if as_json:
            self.stdout.write(json.dumps(said | {"path": str(path), "entry": str(job.entry.uuid)}))
            return
        released, alike = said["rows"]["released"], said["patients"]
        self.stdout.write(f"{path}  ({released:,} repairs, at least {alike} patients alike)")

    def _through(self, job: ReleaseJob, wanted: JobState) -> None:
        """Do the next part in this process, with its progress on stderr."""
        with progress() as listen:
            work.run(job, listen)
        job.refresh_from_db()
        if job.state != wanted:
            raise CommandError(job.told or f"It is {job.get_state_display().lower()}.")


def _add_what_is_asked(parser: ArgumentParser) -> None:
    parser.add_argument("--by", required=True, help="user name of the person who may release")
    parser.add_argument("--cohort", required=True, help="name of a cohort that this person made or is shared")
    parser.add_argument("--cohort-version", type=int, help="its version; the latest unless given")
    parser.add_argument("--project", required=True, help="same project, same pseudonyms")
    parser.add_argument("--purpose", required=True, help="what it is for, in words that stay in the ledger")
    parser.add_argument("--approval", required=True, help="approval reference")
    parser.add_argument("--recipient", required=True, help="the group or institute that gets the package")
    parser.add_argument("--steward", required=True, help="whom a letter reaches when a patient withdraws")
    parser.add_argument(
        "--attributes", default=",".join(USUAL_ATTRIBUTES), help="about the patients, by code"
    )
    parser.add_argument(
        "--year-years", type=int, choices=(0, 1, 2, 5), default=0, help="width of year bands; 0: none"
    )
    parser.add_argument("--k", type=int, default=USUAL_K, help=f"patients alike, at least ({USUAL_K})")
    parser.add_argument("--failure", default=REOPERATION.code, help="code of the failure definition")
    parser.add_argument("--stata", action="store_true", help="Stata files as well")
    parser.add_argument("--out", type=Path, help="folder to copy the package to")
    parser.add_argument("--preview", action="store_true", help="look only: nothing is released")
    parser.add_argument(
        "--json", action="store_true", help="print what the ledger keeps, or the preview, as JSON"
    )


def _asked(person: User, options: dict[str, Any]) -> Asked:
    version = _version(person, options["cohort"], options["cohort_version"])
    attributes = tuple(filter(None, options["attributes"].split(",")))
    year = ("year",) if options["year_years"] and "year" not in attributes else ()
    return Asked(
        **{name: options[name] for name in making.STATED},
        units=tuple(units_for(person, Action.RELEASE).values_list("code", flat=True)),
        cohort_name=version.cohort.name,
        cohort_version=version.number,
        cohort=version.query,
        definition=options["failure"],
        attributes=attributes + year,
        year_years=options["year_years"],
        k=options["k"],
        stata=options["stata"],
    )


def _version(person: User, name: str, number: int | None) -> CohortVersion:
    mine = NamedCohort.objects.filter(name=name, made_by=person)
    shared = NamedCohort.objects.filter(name=name, shared_with__in=units_for(person, Action.NAME_COHORT))
    named = mine.first() or shared.first()
    if named is None:
        raise CommandError(
            f"--cohort: no cohort '{name}' of {person.username}'s, or shared with one of their units."
        )
    found = named.versions.filter(number=number).first() if number else named.latest
    if found is None:
        raise CommandError(f"--cohort-version: '{name}' has no version {number}.")
    return found


def _person(username: str) -> User:
    person = User.objects.filter(username=username).first()
    if person is None:
        raise CommandError(f"--by: no user named '{username}'. Give a user name that exists.")
    return person


def _job(uuid: UUID) -> ReleaseJob:
    job = ReleaseJob.objects.filter(uuid=uuid).first()
    if job is None:
        raise CommandError(f"No release in the making is called {uuid}; see release list.")
    return job


def _listed(job: ReleaseJob) -> dict[str, str]:
    return {"job": str(job.uuid), "state": job.state, "project": job.asked["project"], "told": job.told}


@contextmanager
def _said_in_words() -> Iterator[None]:
    try:
        yield
    except PermissionDenied as refusal:
        raise CommandError("--by: this person may not release from any unit.") from refusal
    except ValidationError as problem:
        raise CommandError(
            " ".join(f"{name}: {' '.join(said)}" for name, said in problem.message_dict.items())
        ) from problem


def _copied(path: Path, to: Path) -> Path:
    write_whole(to, path.read_bytes())
    return to


def _in_lines(job: ReleaseJob) -> str:
    """The preview as plain text."""
    told = job.preview or {}
    lines = [
        f"{step['remaining']:>9,}  {step['label']} (left out: {step['left_out']:,})" for step in told["flow"]
    ]
    lines += [
        f"{level['title']}: {level['label']} ({100 * level['loss']:.0f} % of detail lost)"
        for level in told["levels"]
    ]
    lines.append(f"At least {told['patients']} patients alike; k = {told['k']} repairs.")
    lines += [
        f"Survival at {each['year']} years: {_percent(each['permitted'])}, "
        f"released {_percent(each['released'])}"
        for each in told["effect"]
    ]
    return "\n".join([*lines, "Nothing was released."])


def _percent(share: float | None) -> str:
    return "not reached" if share is None else f"{100 * share:.1f} %"

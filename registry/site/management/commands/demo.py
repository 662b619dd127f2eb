"""The main job end to end on an invented hospital group: record, follow, count survival, show, release."""

import base64
import hmac
import json
import shlex
from argparse import ArgumentParser
from hashlib import sha256
from io import StringIO
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import CommandError
from django.utils import timezone
from rich.progress import Progress

from outcomes.failure import REOPERATED, SOURCES, STRUCTURE
from outcomes.models import NamedCohort, OwnDefinition
from outcomes.naming import define_failure, name_cohort
from registry.demo.cast import Cast
from registry.demo.load import load_scenario
from registry.demo.people import already_there
from registry.demo.processes import BrokenOff
from registry.demo.scenario import DEFAULT_PATIENTS, DEFAULT_SEED, Scenario
from registry.demo.truth import Truth
from registry.management.example import CommandWithExample
from registry.models import Patient, Unit, User
from registry.patient_link.entering import open_links
from registry.patient_link.making import address
from registry.vocabulary import Role

ALL_REPAIRS = "All repairs"
# Above it nobody who tries the demo should have to wait for its release.
MOST_RELEASED = 20_000
INVENTED = "Everything in this scenario is invented: hospitals, people and numbers."


class Command(CommandWithExample):
    help = "Load the invented scenario, print its survival, write a briefing and a release, serve the site."
    example = "demo --no-serve"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--patients", type=int, default=DEFAULT_PATIENTS, help="how many patients")
        parser.add_argument("--seed", type=int, default=DEFAULT_SEED, help="another seed, another scenario")
        parser.add_argument("--port", type=int, default=8000, help="port on loopback")
        parser.add_argument("--no-serve", action="store_true", help="stop before serving")
        parser.add_argument(
            "--json", action="store_true", help="print the sign-ins as JSON, all else on stderr"
        )

    def handle(self, **options: Any) -> None:
        if settings.PRODUCTION:
            raise CommandError("demo: this is a production installation. Run the demo elsewhere.")
        if options["patients"] < 1 or options["seed"] < 0:
            raise CommandError("demo: --patients takes 1 or more, --seed 0 or more.")
        call_command("migrate", verbosity=0)
        answer = self.stdout
        if options["json"]:
            self.stdout = self.stderr
        cast = Cast.read()
        self._load_once(cast, options["patients"], options["seed"])
        _name_once(cast)
        call_command("survival", stdout=self.stdout)
        self._write(cast)
        self._sign_ins(cast)
        if options["json"]:
            answer.write(json.dumps(_sign_ins(cast)))
        self._patient_link(f"http://127.0.0.1:{options['port']}")
        if not options["no_serve"]:
            address = f"127.0.0.1:{options['port']}"
            self.stdout.write(f"\nServing on http://{address} until you stop it (Control-C).")
            call_command("runserver", address, use_reloader=False, verbosity=0)

    def _load_once(self, cast: Cast, patients: int, seed: int) -> None:
        self.stdout.write(INVENTED)
        if already_there(cast):
            self.stdout.write("The scenario is there already; nothing is loaded again.\n")
            return
        # The scenario closes today: its last events are yesterday's.
        scenario = Scenario(patients, seed, timezone.localdate(), Truth.read())
        with Progress(transient=True) as bar:
            task = bar.add_task("Recording patients", total=patients)
            try:
                written = load_scenario(
                    scenario, cast, demo_password, lambda done: bar.update(task, completed=done)
                )
            except BrokenOff as error:
                raise CommandError(
                    f"demo: a process that tells the stories broke off, nothing is recorded ({error})."
                ) from error
        self.stdout.write(f"Recorded {written['Patient']:,} patients and {written['Repair']:,} repairs.\n")

    def _write(self, cast: Cast) -> None:
        coordinator = next(account for account in cast.accounts if account.role == Role.COORDINATOR)
        self.stdout.write("Written:")
        call_command("briefing", out=settings.LOCAL_DIR / "out", stdout=self.stdout, stderr=StringIO())
        _name_all_repairs(coordinator.username)
        asked = _release_asked(coordinator.username)
        if Patient.objects.count() > MOST_RELEASED:
            self.stdout.write(
                f"No release: of more than {MOST_RELEASED:,} patients it takes long. Make it by:\n"
                f"  manage.py release make {shlex.join(asked)}"
            )
            return
        try:
            call_command("release", "make", *asked, stdout=self.stdout)
        except CommandError as refusal:
            # A scenario of a few patients has classes too small to hide in; that is worth seeing too.
            self.stdout.write(f"No release: {refusal}")

    def _sign_ins(self, cast: Cast) -> None:
        self.stdout.write("\nSign-ins (user name, password, role):")
        for each in _sign_ins(cast):
            role, units = Role(each["role"]).label, ", ".join(each["units"])
            self.stdout.write(f"  {each['username']:<20} {each['password']}  {role}, {units}")

    def _patient_link(self, site: str) -> None:
        """One link that can be answered now, so that the patient's side can be tried too."""
        link = open_links(timezone.now()).filter(report=None).order_by("-made_at", "uuid").first()
        if link is None:
            return
        patient = link.knee.patient
        self.stdout.write(
            f"\nOne invented patient's link, to try ({link.get_language_display()}; "
            f"year of birth {patient.born_on.year}):\n  {site}{address(link).removeprefix(settings.SITE_URL)}"
        )


def _sign_ins(cast: Cast) -> list[dict[str, Any]]:
    return [
        {
            "username": account.username,
            "password": demo_password(account.username),
            "role": account.role,
            "units": list(account.units),
        }
        for account in cast.accounts
    ]


def _name_once(cast: Cast) -> None:
    """A definition of failure of one unit's own and a cohort that its audit lead shares with it."""
    account = next(account for account in cast.accounts if account.role == Role.AUDIT_LEAD)
    lead, unit = User.objects.get(username=account.username), Unit.objects.get(code=account.units[0])
    if OwnDefinition.objects.filter(unit=unit).exists():
        return
    seen_or_done = [code for code, source in SOURCES.items() if source.kind in (REOPERATED, STRUCTURE)]
    define_failure(lead, unit, "Not healed, or operated on again", seen_or_done)
    name_cohort(lead, "Medial bucket-handles", {"meniscus": "medial", "pattern": "bucket_handle"}, unit)


def _release_asked(coordinator: str) -> list[str]:
    """The demo's release as options of the command."""
    asked = {
        "by": coordinator,
        "cohort": ALL_REPAIRS,
        "project": "demo",
        "purpose": "show what a release holds",
        "approval": "invented, no approval needed",
        "recipient": "Institute of invented studies",
        "steward": "steward@example.org",
        "out": str(settings.LOCAL_DIR / "out"),
    }
    return [part for name, value in asked.items() for part in (f"--{name}", value)]


def _name_all_repairs(coordinator: str) -> None:
    """The cohort that the demo releases."""
    person = User.objects.get(username=coordinator)
    if not NamedCohort.objects.filter(made_by=person, name=ALL_REPAIRS).exists():
        name_cohort(person, ALL_REPAIRS, {"which": "all"})


def demo_password(username: str) -> str:
    """A password for one demo account: made from this installation's own secret, so the same on every run."""
    digest = hmac.new(settings.SECRET_KEY.encode(), f"demo\0{username}".encode(), sha256).digest()
    return base64.b32encode(digest[:10]).decode().lower()

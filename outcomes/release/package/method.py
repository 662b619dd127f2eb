"""method.md: how the data came about, what was done to them, and how survival was worked out."""

from outcomes.estimators import anonymity, follow_up, survival
from outcomes.release.frozen import Frozen
from outcomes.release.package.words import NOT_A_DEVICE, NOT_PROMISED, one_line

SURVIVAL = (
    "Kaplan-Meier estimate of the share still standing, failures counted before censorings on the same day. "
    "Repairs entered later from old notes are at risk only after the day of their entry; those whose end was "
    "known by then are left out."
)
LOSS_REFERENCE = "Iyengar VS. Proc ACM SIGKDD 2002:279-88 (loss)."
_IDENTIFIERS_REFERENCE = "45 CFR 164.514(b)(2), the eighteen identifiers of the safe harbor method."


def method(frozen: Frozen) -> str:
    """The method of a release as Markdown."""
    parts = {
        "Who is in it": _people(frozen),
        "What never leaves": _kept_back(),
        "Time": _time(),
        "Failure": _failure(frozen),
        "Survival": _survival(),
        "How people are hidden": _hidden(frozen),
        "Not promised": [NOT_PROMISED, NOT_A_DEVICE],
        "References": [f"- {each}" for each in REFERENCES],
    }
    sections = [f"## {heading}\n\n" + "\n\n".join(said) for heading, said in parts.items()]
    return "\n\n".join(("# Method", *sections)) + "\n"


REFERENCES = (
    survival.REFERENCE,
    survival.REFERENCE_LATE_ENTRY,
    follow_up.REFERENCE,
    anonymity.REFERENCE,
    LOSS_REFERENCE,
    _IDENTIFIERS_REFERENCE,
)


def _people(frozen: Frozen) -> list[str]:
    asked = frozen.asked
    return [
        f"{one_line(frozen.cohort_sentence)} This is version {asked.cohort_version} of the cohort "
        f'"{one_line(asked.cohort_name)}", read in {frozen.month} by {frozen.software} from version '
        f"{frozen.record_version} of the record.",
        "Only patients who gave research permission, and did not withdraw since, are in it. The disclosure "
        "report counts who was left out at each step.",
    ]


def _kept_back() -> list[str]:
    return [
        "Names, record numbers, contacts, dates, places, free text, account names, and the lot and "
        "serial numbers of implants are in no table; they cannot be chosen. Patients, knees, operations "
        "and repairs have pseudonyms: HMAC-SHA-256 with a key of this project alone, 128 bits in base32. "
        "Another project's pseudonyms of the same people are others. Unit and surgeon have short ones, "
        "or none."
    ]


def _time() -> list[str]:
    return [
        "Everything is told in whole days from the operation. Calendar years stand in bands, and only "
        "where they were asked for. The age at the operation stands in bands, open from 60 on.",
        "Visits, scores and reoperations are of a knee; they are told once for each released operation "
        "of that knee before them, so the same one may stand twice. A score answered before an operation "
        "is told of that operation, in negative days.",
    ]


def _failure(frozen: Frozen) -> list[str]:
    said = [f"{frozen.definition_name}: {frozen.definition_sentence}", *frozen.definition_cautions]
    return [
        *said,
        "`days` runs from the operation to the failure (`outcome` failed), to a competing event (died, "
        "replaced, removed_elsewhere), or to the last day on which the repair was known to stand "
        "(censored). A failure goes before a competing event of the same day. For survival, competing "
        "events censor.",
    ]


def _survival() -> list[str]:
    days = ", ".join(f"{day} ({year})" for year, day in survival.LANDMARK_DAYS.items())
    return [
        f"{SURVIVAL} It is read on these days (years): {days}. At risk on a day are repairs with `days` on "
        "it or later, and `at_risk_from` before it. Past the last day of observation no survival is told.",
        "`at_risk_from` of 0 is no late entry. Repairs with `at_risk_from` of `days` or more are in the "
        "table, but not in the survival: they were never at risk while known.",
        "`reproduce.py` (pandas, lifelines) and `reproduce.R` (survival) work the table out from "
        "`repairs.csv` alone; `manifest.json` has the registry's. `counts.sql` counts `repairs.parquet`, "
        "whole or in parts on many machines, into all that survival and its intervals need.",
    ]


def _hidden(frozen: Frozen) -> list[str]:
    k = frozen.hidden.asked_k
    return [
        "Columns by which somebody might know a person (quasi-identifiers) are made coarser along fixed "
        f"steps until at least {k} patients share each combination that occurs. Repairs that would still "
        "stand out are left out, 5 % of them at most, and all that belongs to them. Among all "
        "combinations of steps that achieve this, the one with the least loss is taken: the mean over "
        "rows and columns of (codes merged - 1) / (codes - 1). Each column has one form in all rows.",
        f"{anonymity.METHOD} The risks are of people: one over the patients in the smallest class, and "
        "the mean over the patients. l and t are told, not forced.",
    ]

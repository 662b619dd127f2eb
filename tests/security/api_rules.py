"""The rule of every address of the API: the scope that a key needs, and then who of its persons may."""

from dataclasses import dataclass

from registry.vocabulary import Scope
from tests.security.rules import (
    COORDINATOR,
    EVERYBODY,
    FIGURES,
    FOLLOWS,
    NO_KEY,
    OPERATES,
    RECORD,
    REFUSED,
    SURGEON,
    Rule,
    by_role,
)

STATE_NOT_NAMED = 428


@dataclass(frozen=True)
class Method:
    """One method of an address: its scope (none: for everybody, with a key or without) and its rule."""

    verb: str
    scope: Scope | None
    rule: Rule

    def answer(self, role: str, is_own: bool, scopes: frozenset[Scope], *, has_object: bool) -> int:
        if self.scope is None:
            return self.rule.get
        if role == "nobody":
            return NO_KEY
        if self.scope not in scopes:
            return REFUSED
        return self.rule.answer(role, is_own, "get", has_object=has_object)


def read(scope: Scope | None, rule: Rule) -> Method:
    return Method("get", scope, rule)


def _of_record(may: frozenset[str], answer: int = 200) -> Rule:
    return Rule(may, answer, sees=RECORD - may)


LISTS = read(Scope.READ_RECORD, Rule(EVERYBODY))  # of what one sees: of nothing, for who sees none
READS = read(Scope.READ_RECORD, _of_record(RECORD))
FIGURES_READ = read(Scope.READ_FIGURES, Rule(FIGURES))
COHORT_READ = read(Scope.READ_FIGURES, by_role(FIGURES))
RELEASE_READ = read(Scope.READ_RELEASES, by_role(COORDINATOR))
FOR_ALL = read(None, Rule(EVERYBODY, is_public=True))
# A row is sent whole, about a knee or patient of northmere or of southmere: see bodies.py.
RECORDS = Method("post", Scope.WRITE_RECORD, Rule(FOLLOWS, 201, sees=RECORD - FOLLOWS))
# A body that names a unit of others is mended, not hidden.
PATIENT_RECORDED = Method("post", Scope.WRITE_RECORD, Rule(OPERATES, 201, by_role=True, elsewhere=422))
OPERATION_RECORDED = Method("post", Scope.WRITE_RECORD, by_role(OPERATES, 201))
# Whoever may is then asked which state of the row they saw.
CHANGES = _of_record(FOLLOWS, STATE_NOT_NAMED)
OPERATION_CHANGES = _of_record(OPERATES, STATE_NOT_NAMED)
COHORT_CHANGES = by_role(SURGEON, STATE_NOT_NAMED, sees=FIGURES - SURGEON)

EVENTS = (
    "visit", "second_look", "imaging", "reoperation", "complication", "contact", "end_of_follow_up", "score",
)  # fmt: skip
ONLY_READ = ("patient_report", "booked_visit", "given_up_review")


def _acts(name: str, rule: Rule) -> dict[str, list[Method]]:
    acts = {f"api_{name}_{act}": [_change("post", rule)] for act in ("withdrawal", "reinstatement")}
    return {**acts, f"api_{name}_history": [READS]}


def _change(verb: str, rule: Rule) -> Method:
    return Method(verb, Scope.WRITE_RECORD, rule)


def _cohort(verb: str, rule: Rule = COHORT_CHANGES) -> Method:
    return Method(verb, Scope.NAME_COHORTS, rule)


API: dict[str, list[Method]] = {
    "api_find_patient": [Method("post", Scope.READ_RECORD, Rule(RECORD))],
    "api_patient_list": [LISTS, PATIENT_RECORDED],
    "api_patient": [READS, _change("patch", CHANGES)],
    "api_patient_fhir": [READS],
    "api_knee_list": [LISTS],
    "api_knee": [READS],
    "api_operation_list": [LISTS, OPERATION_RECORDED],
    "api_operation": [READS, _change("patch", OPERATION_CHANGES)],
    "api_operation_signature": [_change("post", OPERATION_CHANGES)],
    **_acts("operation", OPERATION_CHANGES),
    "api_tear": [READS, _change("patch", OPERATION_CHANGES)],
    **{f"api_{name}_list": [LISTS, RECORDS] for name in EVENTS},
    # Theirs has ended already, so a second end is to be mended.
    "api_end_of_follow_up_list": [LISTS, _change("post", _of_record(FOLLOWS, 422))],
    **{f"api_{name}": [READS, _change("patch", CHANGES)] for name in EVENTS},
    **{address: methods for name in EVENTS for address, methods in _acts(name, CHANGES).items()},
    **{f"api_{name}_list": [LISTS] for name in ONLY_READ},
    **{f"api_{name}": [READS] for name in ONLY_READ},
    **{address: methods for name in ONLY_READ[1:] for address, methods in _acts(name, CHANGES).items()},
    "api_survival": [FIGURES_READ],
    "api_survival_view": [FIGURES_READ],
    "api_cohort_list": [FIGURES_READ, _cohort("post", Rule(FIGURES, 422))],
    "api_cohort": [COHORT_READ, _cohort("patch"), _cohort("delete")],
    "api_cohort_version_list": [
        COHORT_READ,
        _cohort("post", by_role(SURGEON, 422, sees=FIGURES - SURGEON)),
    ],
    "api_cohort_version": [COHORT_READ],
    "api_release_list": [read(Scope.READ_RELEASES, Rule(COORDINATOR))],
    "api_release": [RELEASE_READ],
    "api_release_manifest": [RELEASE_READ],
    "api_release_package": [RELEASE_READ],
    "api_definition_list": [FIGURES_READ],
    **{
        name: [FOR_ALL]
        for name in (
            "api_vocabulary_list",
            "api_vocabulary",
            "api_instrument_list",
            "api_instrument",
            "api_threshold_list",
            "api_published_figure_list",
            "api_plan",
            "api_document",
            "api_openapi",
        )
    },
}

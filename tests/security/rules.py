"""One stated rule for every address: who is let in, who is told that they may not, to whom it does not exist.

Stated by hand and not worked out from registry.access, so that a slip there shows. Northmere's people ask
for what is northmere's and what is southmere's; the stranger is southmere's surgeon, so their rule is the
surgeon's the other way round.
"""

from dataclasses import dataclass, field

OPERATES = frozenset({"surgeon", "colleague"})
FOLLOWS = OPERATES | {"clinician"}
RECORD = FOLLOWS | {"audit_lead"}
FIGURES = RECORD | {"coordinator"}
UNIT = FIGURES | {"administrator"}
SURGEON, LEAD = frozenset({"surgeon"}), frozenset({"audit_lead"})
COORDINATOR, ADMINISTRATOR = frozenset({"coordinator"}), frozenset({"administrator"})
EVERYBODY = UNIT | {"outsider"}
NOBODY_ELSE: frozenset[str] = frozenset()

REFUSED, HIDDEN, NO_SUCH_METHOD, TO_SIGN_IN, NO_KEY = 403, 404, 405, 302, 401
# A change is answered as the page itself: it only shows.
AS_GET = 0


@dataclass(frozen=True)
class Rule:
    """What an address answers to whom.

    `get` and `post` are the answers to who is let in, `post` when the form is sent empty. `sees` are told
    403. To the others an object does not exist (404), unless `by_role`: then 403 before it is looked for.
    To `blind` it does not exist although they have the role, since it is another person's.
    """

    may: frozenset[str]
    get: int = 200
    post: int = AS_GET
    sees: frozenset[str] = NOBODY_ELSE
    by_role: bool = False
    blind: frozenset[str] = NOBODY_ELSE
    # Who may is answered so about what is of the other unit.
    elsewhere: int = HIDDEN
    # Told to who is not signed in, instead of the page that signs in.
    signed_out: dict[str, int] = field(default_factory=dict)
    is_public: bool = False

    def let_in(self, role: str, is_own: bool, *, has_object: bool) -> bool:
        role, is_own = _mirrored(role, is_own)
        return self.is_public or (role in self.may and (is_own or not has_object))

    def answer(self, role: str, is_own: bool, method: str, *, has_object: bool) -> int:
        """The status, by whether the object is of northmere, where there is one."""
        said = self.get if method == "get" else self.post or self.get
        if role == "nobody" and (method in self.signed_out or not self.is_public):
            return self.signed_out.get(method, TO_SIGN_IN)
        if said == NO_SUCH_METHOD or self.is_public:
            return said
        role, is_own = _mirrored(role, is_own)
        if not has_object:
            return said if role in self.may else REFUSED
        return said if role in self.may and is_own else self._refusal(role, is_own)

    def _refusal(self, role: str, is_own: bool) -> int:
        if role in self.may and not is_own:
            return self.elsewhere
        knows = role in self.sees | self.blind
        if not knows:
            return REFUSED if self.by_role else HIDDEN
        return REFUSED if is_own and role not in self.blind else HIDDEN


def _mirrored(role: str, is_own: bool) -> tuple[str, bool]:
    return ("surgeon", not is_own) if role == "stranger" else (role, is_own)


def page(may: frozenset[str], get: int = 200, post: int = AS_GET) -> Rule:
    """A page of all one's units; other units' rows are not on it, which other tests hold."""
    return Rule(may, get, post)


def of_knee(may: frozenset[str], get: int = 200, post: int = AS_GET) -> Rule:
    """What belongs to a knee: to who does not see the record, no knee exists."""
    return Rule(may, get, post, sees=RECORD - may)


def of_unit(post: int, get: int = 200) -> Rule:
    """What an administrator does; everybody of the unit knows that it is there."""
    return Rule(ADMINISTRATOR, get, post, sees=UNIT - ADMINISTRATOR)


def by_role(
    may: frozenset[str],
    get: int = 200,
    post: int = AS_GET,
    sees: frozenset[str] = NOBODY_ELSE,
    blind: frozenset[str] = NOBODY_ELSE,
) -> Rule:
    """Refused by role before anything is looked for; another unit's object does not exist."""
    return Rule(may, get, post, sees, by_role=True, blind=blind)


def own(get: int, post: int) -> Rule:
    """What is one person's own (here the surgeon's), whatever their role."""
    return Rule(SURGEON, get, post)


PUBLIC = Rule(EVERYBODY, is_public=True)

PAGES: dict[str, Rule] = {
    "health": Rule(EVERYBODY, 200, NO_SUCH_METHOD, is_public=True),
    "ready": Rule(EVERYBODY, 200, NO_SUCH_METHOD, is_public=True),
    # Whoever holds the link of an invitation may make the account that it is for, or has one and takes it up.
    "invited": Rule(EVERYBODY, 200, 302, is_public=True, signed_out={"post": 422}),
    # The link is the patient's own and its token the right to it; a first look asks for the year of birth.
    "patient_link": Rule(EVERYBODY, 200, 303, is_public=True),
    # Signed in already, one is led on.
    "sign_in": Rule(EVERYBODY, 302, 302, signed_out={"get": 200, "post": 200}),
    # The second step of signing in, for who has just taken the first.
    "sign_in_code": Rule(EVERYBODY, 302, 302, signed_out={"get": 302, "post": 302}),
    "sign_out": page(EVERYBODY, 405, 302),
    "draft": Rule(EVERYBODY, 405, 400, signed_out={"get": 405, "post": 400}),
    # --- of everybody with an account ---
    "today": page(EVERYBODY),
    "access_keys": page(EVERYBODY, 200, 422),
    "take_back_access_key": own(405, 302),
    "account": page(EVERYBODY),
    "end_session": own(405, 302),
    "end_other_sessions": page(EVERYBODY, 405, 302),
    "change_password": page(EVERYBODY, 200, 422),
    "confirm": page(EVERYBODY),
    "second_factor": page(EVERYBODY),
    "set_up_second_factor": page(EVERYBODY),
    "new_recovery_codes": page(EVERYBODY, 405, 302),
    "take_off_second_factor": page(EVERYBODY, 405, 302),
    "help": page(EVERYBODY),
    "help_commands": page(EVERYBODY),
    "guide": page(EVERYBODY),
    "methods": page(EVERYBODY),
    # --- the record ---
    "completeness": page(RECORD),
    "completeness_csv": page(RECORD),
    "find_patient": page(RECORD, 405, 422),
    "due": page(RECORD),
    "drifting": page(RECORD),
    "knee_story": of_knee(RECORD),
    "knee_fhir": of_knee(RECORD),
    # To look at; acts are of those who follow up (see OTHERWISE).
    "due_knee": of_knee(RECORD, 200, 302),
    "history": of_knee(RECORD, 200, 404),
    "standing": of_knee(RECORD),
    "knee_scores": of_knee(RECORD),
    "knee_scores_csv": of_knee(RECORD),
    "record_operation": page(OPERATES, 200, 422),
    "operation_facts": page(OPERATES, 405, 200),
    "record_next_operation": by_role(OPERATES, 200, 422),
    "correct_operation": of_knee(OPERATES, 200, 422),
    "sign_operation": of_knee(SURGEON, 405, 302),
    "identity": of_knee(FOLLOWS, 200, 422),
    "correct_identity": of_knee(FOLLOWS, 405, 302),
    "patient_file": of_knee(FOLLOWS, 200, 422),
    "find_sheet": page(FOLLOWS),
    "keyed_entry": of_knee(FOLLOWS, 200, 422),
    "paper_form": of_knee(FOLLOWS),
    "record_score": of_knee(FOLLOWS),
    "record_event": of_knee(FOLLOWS, 200, 422),
    "correct_event": of_knee(FOLLOWS, 200, 422),
    "look_class": of_knee(FOLLOWS),
    "correct_patient": of_knee(FOLLOWS, 200, 422),
    "withdraw": of_knee(FOLLOWS, 200, 422),
    "verify_report": of_knee(FOLLOWS, 200, 302),
    "reoperation_told": of_knee(FOLLOWS, 200, 422),
    "rehabilitation": of_knee(FOLLOWS, 200, 302),
    "lots": page(OPERATES | LEAD, 200, 422),
    "lots_csv": page(OPERATES | LEAD, 405, 422),
    "readings": page(OPERATES),
    "read_tear": by_role(OPERATES, 200, 422),
    "withdraw_reading": by_role(SURGEON, 405, 422, blind=frozenset({"colleague"})),
    # --- old records out of a file ---
    "intakes": page(OPERATES),
    "new_intake": page(OPERATES, 405, 422),
    "intake": by_role(OPERATES, 302),
    "intake_columns": by_role(OPERATES, 200, 422),
    "intake_values": by_role(OPERATES, 200, 302),
    "intake_annotated": by_role(OPERATES, 302),
    "intake_rehearsal": by_role(OPERATES, 405, 302),
    "confirm_intake": by_role(OPERATES, 405, 302),
    "cancel_intake": by_role(OPERATES, 405, 302),
    "go_on_intake": by_role(OPERATES, 405, 302),
    "drop_intake": by_role(OPERATES, 405, 302),
    "undo_intake": by_role(OPERATES, 405, 422),
    # --- the unit ---
    "units": page(ADMINISTRATOR, 302),
    "unit": of_unit(AS_GET),
    "unit_settings": of_unit(422),
    "unit_plan": of_unit(422),
    "add_surgeon": of_unit(422),
    "unit_surgeon": of_unit(422),
    "add_grade": of_unit(422),
    "withdraw_grade": of_unit(422),
    "people": of_unit(AS_GET),
    "invite": of_unit(422),
    "take_back_invitation": of_unit(302, get=405),
    "person": of_unit(302),
    "way_back": of_unit(200, get=405),
    "close_account": of_unit(302, get=405),
    "open_account": of_unit(302, get=405),
    # Who looked at a patient, and what is erased, is asked by hospital number, in the body.
    "who_looked": of_unit(422),
    "who_looked_csv": of_unit(404, get=405),
    "erase": of_unit(422),
    # --- what the record says ---
    "repairs": page(RECORD),
    "response": page(RECORD),
    "response_csv": page(RECORD),
    "survival": page(FIGURES),
    "survival_csv": page(FIGURES),
    "survival_compare": page(FIGURES),
    "survival_compare_csv": page(FIGURES),
    "survival_repairs": page(RECORD),
    "survival_view": page(FIGURES),
    "survival_view_csv": page(FIGURES),
    "scores": page(FIGURES),
    "scores_csv": page(FIGURES),
    "how_sure": page(FIGURES),
    "how_sure_csv": page(FIGURES),
    "named_cohorts": page(FIGURES, 200, 422),
    "new_cohort": page(FIGURES),
    "named_cohort": by_role(FIGURES),
    "named_cohort_json": by_role(FIGURES),
    "named_cohort_versions": by_role(SURGEON, 405, 302, sees=FIGURES - SURGEON),
    "share_named_cohort": by_role(SURGEON, 405, 302, sees=FIGURES - SURGEON),
    "drop_named_cohort": by_role(SURGEON, 405, 302, sees=FIGURES - SURGEON),
    "own_definitions": page(FIGURES, 200, 422),
    "retire_definition": by_role(LEAD, 405, 302, sees=FIGURES - LEAD),
    "my_results": page(OPERATES | LEAD),
    "my_results_csv": page(OPERATES | LEAD),
    "briefings": page(LEAD),
    "briefing": by_role(LEAD),
    "briefing_file": by_role(LEAD),
    "briefing_pdf": by_role(LEAD),
    "briefing_changes": by_role(LEAD),
    # --- what leaves ---
    "releases": page(COORDINATOR),
    "new_release": page(COORDINATOR),
    "counts_release": page(COORDINATOR),
    "withdrawn_permissions": page(COORDINATOR),
    "release_letter": by_role(COORDINATOR),
    "release_job": by_role(COORDINATOR),
    "confirm_release_job": by_role(COORDINATOR, 405, 302),
    "cancel_release_job": by_role(COORDINATOR, 405, 302),
    "go_on_release_job": by_role(COORDINATOR, 405, 302),
    "release": by_role(COORDINATOR),
    "release_package": by_role(COORDINATOR),
    "release_report": by_role(COORDINATOR),
    "make_release_letter": by_role(COORDINATOR, 405, 302),
}

# What is sent where an empty form would not tell who may from who may not: an act has to be named.
SENT: dict[str, dict[str, str]] = {
    "verify_report": {"act": "verify"},
    "due_knee": {"act": "give-up"},
}

# Where one that is let in is answered otherwise about their own than the rest, by address, role and method.
OTHERWISE: dict[tuple[str, str, str], int] = {
    # An audit lead looks at definitions and makes them; the others look.
    **{("own_definitions", role, "post"): REFUSED for role in (*sorted(FIGURES - LEAD), "stranger")},
    ("due_knee", "audit_lead", "post"): REFUSED,
    # A lead sees single surgeons' results only where the unit agreed; there is none of their own.
    ("my_results_csv", "audit_lead", "get"): HIDDEN,
    ("my_results_csv", "audit_lead", "post"): HIDDEN,
}

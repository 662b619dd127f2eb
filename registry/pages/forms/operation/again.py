"""A page sent again under a key that is on record: whether it still says what was recorded with it."""

from collections.abc import Iterable, Sequence
from uuid import uuid4

from django.http import QueryDict

from registry.access import surgeons_of
from registry.models import IndexProcedure
from registry.pages.forms.base import Spoken
from registry.pages.forms.operation.base import SectionedRecordForm, sound
from registry.pages.forms.operation.entry import ENTRY, OperationEntry, Setting
from registry.pages.forms.operation.patient import KnownKneeForm, PatientForm
from registry.pages.forms.operation.procedure import ProcedureForm
from registry.pages.forms.operation.recorded import Recorded
from registry.pages.forms.operation.rows import KNOWN, ROW
from registry.pages.forms.operation.tears import TearForm, derived


def renamed(posted: QueryDict) -> QueryDict:
    """What was sent, as an entry of its own."""
    typed = posted.copy()
    typed[ENTRY] = str(uuid4())
    return typed


def is_the_same(setting: Setting, posted: QueryDict, before: IndexProcedure) -> bool:
    """Whether the page names the knee operated on before, and says the same of the operation."""
    # Built anew: what was checked a moment ago may not have known yet what this page brought on record.
    entry = OperationEntry.sent(setting, posted)
    if not _is_same_knee(entry.patient, before):
        return False
    if not before.stands:
        # Its parts are withdrawn along with it.
        surgeons = surgeons_of(setting.units)
        return not _differs(ProcedureForm(surgeons, posted, instance=before, prefix=entry.procedure.prefix))
    on_record = Setting(setting.person, setting.units, before.knee, before)
    again = OperationEntry.sent(on_record, _with_rows(entry, posted, Recorded.of(before)))
    return not again.removed and not any(_differs(form) for form in (*again.checked, again.answers))


def _is_same_knee(form: PatientForm | KnownKneeForm, before: IndexProcedure) -> bool:
    if isinstance(form, KnownKneeForm):
        return form.knee.pk == before.knee_id
    # That the knee is on record is no fault of a page that brought it there.
    at_fault = set(form.errors) - {"side"}
    patient = form.known_patient
    is_patient = patient is not None and patient.pk == before.knee.patient_id
    return not at_fault and is_patient and form["side"].value() == before.knee.side


def _with_rows(entry: OperationEntry, posted: QueryDict, recorded: Recorded) -> QueryDict:
    """What was sent, as if it had been typed over the rows that it is compared with, in their order."""
    typed = posted.copy()
    typed.setlist(KNOWN, list(recorded.rows))
    used = [card for card in entry.cards if card.is_used]
    for card, key in zip(used, recorded.tears, strict=False):
        typed[f"{card.tear.prefix}-{ROW}"] = str(key)
        _put_rows(typed, card.said_passes, recorded.passes.get(key, {}))
    _put_rows(typed, entry.said_implants, recorded.implants)
    return typed


def _put_rows(typed: QueryDict, forms: Sequence[Spoken], keys: Iterable[int]) -> None:
    for form, key in zip(forms, keys, strict=False):
        typed[f"{form.prefix}-{ROW}"] = str(key)


def _differs(form: Spoken) -> bool:
    """Whether it says anything else than its row, beside what was left out or worked out on recording."""
    quiet: set[str] = set()
    if isinstance(form, SectionedRecordForm):
        said = sound(form)
        quiet = {*form.left_out(said), *(derived(said) if isinstance(form, TearForm) else ())}
    return bool(set(form.changed_data) - quiet)

"""Every column of the record that somebody typed words into, and what becomes of it when a patient is erased.

A test holds this table and the models together: a new column of text is named here, or the test fails.
"""

from django.db.models import Model

from registry.models import (
    Correction,
    Identity,
    IdentityView,
    Implant,
    Message,
    PatientLink,
    PatientReport,
    ScoreResponse,
    SoftAnswer,
)

REMOVED = "Removed when the patient was erased"

# Tables whose rows go whole, also where repairs and outcomes stay.
GONE: tuple[type[Model], ...] = (Message, PatientLink, Identity)
# Columns that might name somebody, with what stands in place of a text that was there.
REPLACED: dict[type[Model], dict[str, str]] = {
    PatientReport: {
        "where_sealed": "",
        "when_sealed": "",
        "what_sealed": "",
        "no_reoperation_because": REMOVED,
    },
    SoftAnswer: {"answer": REMOVED},
    # The number of a single implant: the hospital's own books say whose it is.
    Implant: {"serial": ""},
    Correction: {"reason": REMOVED},
    IdentityView: {"reason": REMOVED},
}
# Columns of text that nobody types freely, with what they hold.
KEPT: dict[type[Model], dict[str, str]] = {
    Implant: {"device_identifier": "a kind of implant", "lot": "a batch of implants, for recalls"},
    ScoreResponse: {
        "instrument": "the code of a form",
        "instrument_version": "the version of its rule",
        "items": "numbers by the code of an item",
        "scale_values": "numbers by the code of a scale",
    },
    SoftAnswer: {"code": "which rule asked"},
    Correction: {
        "entry_table": "a table",
        "row_table": "a table",
        "before": "column by column, as the columns themselves",
        "after": "column by column, as the columns themselves",
    },
}

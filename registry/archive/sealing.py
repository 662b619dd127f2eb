"""Sealed values on their way: opened by the keys of one installation, sealed by the key of the archive."""

from collections.abc import Callable

from cryptography.fernet import Fernet, InvalidToken

from registry import sealing
from registry.archive.tables import SEALED, Row
from registry.models import Identity

Turn = Callable[[str], str]
INDEX, NUMBER = "hospital_number_index", f"hospital_number{SEALED}"
IDENTITIES = Identity._meta.db_table


NOT_OURS = (
    "A sealed value does not open by any of IDENTITY_KEYS. Add the key that it was sealed with, or leave "
    "identities out."
)
NOT_ITS_KEY = "A sealed value does not open. Give the key that the archive was written with (--key-file)."


class WrongKey(ValueError):  # noqa: N818 - said to a person as it stands
    """A sealed value does not open by the key given."""


def outward(key: Fernet) -> Turn:
    """From this installation's keys to that of the archive; the empty text stays empty."""
    return _turn(sealing.unseal, lambda plain: key.encrypt(plain.encode()).decode(), NOT_OURS)


def inward(key: Fernet) -> Turn:
    """From the key of the archive to this installation's own."""
    return _turn(lambda sealed: key.decrypt(sealed.encode()).decode(), sealing.seal, NOT_ITS_KEY)


def _turn(unseal: Turn, seal: Turn, refusal: str) -> Turn:
    def turn(sealed: str) -> str:
        try:
            return seal(unseal(sealed)) if sealed else ""
        except InvalidToken as error:
            raise WrongKey(refusal) from error

    return turn


def turned(values: Row, turn: Turn) -> Row:
    """Values by column with every sealed one turned; those of a correction `before` and `after` too."""
    found: Row = {}
    for name, value in values.items():
        if name in ("before", "after") and isinstance(value, dict):
            found[name] = turned(value, turn)
        else:
            found[name] = turn(value) if name.endswith(SEALED) and isinstance(value, str) else value
    return found


def indexed(values: Row, unit: int) -> Row:
    """Values of an identity with the blind index of their number, if told, by this installation's key."""
    number = values.get(NUMBER)
    if not isinstance(number, str):
        return values
    return {**values, INDEX: sealing.blind_index(unit, sealing.unseal(number))}


def without_index(values: Row) -> Row:
    """Values of an identity without the blind index, which is worked out anew by whoever reads."""
    return {name: value for name, value in values.items() if name != INDEX}


def is_of_identities(correction: Row) -> bool:
    """Whether a correction is of an identity."""
    return bool(correction["row_table"] == IDENTITIES)

"""The code on a printed form: by it the sheet finds back to its knee, and it names nobody. Pure."""

import re
from dataclasses import dataclass
from uuid import UUID

# So many hexadecimal digits tell every knee from every other, and a mistyped code hits none.
DIGITS = 10
_REST = 32 - DIGITS
_CODE = re.compile(
    rf"(?P<knee>[0-9a-f]{{5}}[- ]?[0-9a-f]{{{DIGITS - 5}}})"
    r"[- ](?P<instrument>[a-z0-9_]+)[- ](?P<point>[a-z0-9]+)",
    re.ASCII,
)
EXAMPLE = "7F3A9-1C2D0-KOOS-12M"


@dataclass(frozen=True, slots=True)
class SheetCode:
    """The first digits of a knee's key, the code of the instrument, and that of the time point."""

    knee: str
    instrument: str
    time_point: str

    @classmethod
    def of(cls, knee: UUID, instrument: str, time_point: str) -> "SheetCode":
        return cls(knee.hex[:DIGITS], instrument, time_point)

    @classmethod
    def read(cls, typed: str) -> "SheetCode":
        """A code as typed, in either case, with blanks or hyphens; ValueError in words where it is none."""
        found = _CODE.fullmatch(" ".join(typed.split()).casefold())
        if found is None:
            raise ValueError(f"'{typed}' is no sheet code. Type it as printed, such as {EXAMPLE}.")
        return cls(re.sub("[- ]", "", found["knee"]), found["instrument"], found["point"])

    def __str__(self) -> str:
        return f"{self.knee[:5]}-{self.knee[5:]}-{self.instrument}-{self.time_point}".upper()

    @property
    def knees(self) -> tuple[UUID, UUID]:
        """The first and the last key that begin like this."""
        return UUID(self.knee + "0" * _REST), UUID(self.knee + "f" * _REST)

"""One entry of the time line: what happened on a day, what is on record of it, and what may be done."""

from dataclasses import dataclass, field
from datetime import date

from django.utils.formats import date_format

from registry.pages.wording import Facts
from registry.vocabulary import DatePrecision


@dataclass(frozen=True, slots=True)
class Part:
    """Facts under a heading of their own, such as one tear. `folded` ones open when asked, and in print."""

    heading: str
    facts: Facts
    folded: bool = False


@dataclass(frozen=True, slots=True)
class Link:
    """Something to do, and where. `sends` is a button: opening it would change the record.

    What is sent carries `seen`, the mark of how far its entry had been corrected when it was told.
    """

    text: str
    url: str
    sends: bool = False
    seen: int = 0


@dataclass(frozen=True, slots=True)
class Moment:
    """One entry of the time line. `mark` is its style class; of one day the lower rank goes first."""

    on: date
    title: str
    facts: Facts = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)
    note: str = ""
    mark: str = ""
    rank: int = 3
    precision: DatePrecision = DatePrecision.DAY
    anchor: str = ""
    # Who entered it and when, whether it is signed, how often it was corrected.
    kept: str = ""
    links: list[Link] = field(default_factory=list)

    @property
    def iso(self) -> str:
        """The date as far as it is known, empty when it is not."""
        return {DatePrecision.DAY: f"{self.on:%Y-%m-%d}", DatePrecision.MONTH: f"{self.on:%Y-%m}"}.get(
            self.precision, ""
        )

    @property
    def when(self) -> str:
        if self.precision is DatePrecision.UNKNOWN:
            return "Date unknown"
        return date_format(self.on, "F Y" if self.precision is DatePrecision.MONTH else "DATE_FORMAT")

"""The file: sections in order, a table to every figure, nothing fetched, nothing to break out of."""

import json
import re
from datetime import date, timedelta
from html.parser import HTMLParser

import pytest

from outcomes.briefing.archive import make_briefing
from outcomes.briefing.asked import Brief
from outcomes.briefing.document import json_for_script
from outcomes.briefing.sections import REFERENCE, SENTENCE
from outcomes.failure import REOPERATION
from tests import factories
from tests.conftest import Cast

IN_ORDER = [
    "headline", "cautions", "contents", "activity", "indications", "survival", "looks", "ramp", "scores",
    "complications", "funnel", "follow-up", "since-last", "cases", "methods", "definitions",
]  # fmt: skip


class Read(HTMLParser):
    """Headings of sections, figures with how many tables each has, and addresses of other files."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.tables: dict[str, int] = {}
        self.fetched: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        kinds = given.get("class", "").split()
        if tag == "h2" and "part" in kinds:
            self.parts.append(given["id"])
        if tag == "section" and "figure" in kinds:
            self.tables[given["aria-labelledby"]] = 0
        if tag == "table" and self.tables:
            self.tables[list(self.tables)[-1]] += 1
        self.fetched += [given[name] for name in ("src", "href") if given.get(name, "#")[:1] != "#"]


@pytest.fixture
def text(cast: Cast) -> str:
    for number in range(12):
        day = date(2023, 2, 1) + timedelta(days=20 * number)
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak, operated_on=day))
        factories.a_contact(repair, days=800)
    return make_briefing(Brief(cast.unit, REOPERATION, date(2026, 6, 30)), cast.audit_lead).html.decode()


@pytest.mark.django_db
def test_sections_stand_in_order_with_a_table_to_every_figure(text: str) -> None:
    read = Read(text)
    assert read.parts == IN_ORDER
    assert len(read.tables) >= 13
    assert not [name for name, tables in read.tables.items() if not tables]
    assert not read.fetched
    assert "default-src 'none'" in text
    assert text.count("plotly.js v") == 1
    for caution in ("Small numbers mislead", "Not a medical device", "operating surgeon decide"):
        assert caution in text


def test_numbers_cannot_end_their_element() -> None:
    told = {"label": "</script><script>alert(1)</script>&<!--"}
    said = json_for_script(told)
    assert not re.search("[<>&]", said)
    assert json.loads(said) == told
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_for_script({"share": float("nan")})


def test_methods_and_references_are_told_apart() -> None:
    method = "Share of a whole. Wilson EB. J Am Stat Assoc 1927;22:209-12. Cohen's kappa, unweighted."
    assert SENTENCE.split(method) == [
        "Share of a whole. Wilson EB. J Am Stat Assoc 1927;22:209-12.", "Cohen's kappa, unweighted."
    ]  # fmt: skip
    references = (
        "Mantel N. Cancer Chemother Rep 1966;50:163-70. Peto R, Peto J. J R Stat Soc A 1972;135:185-207."
    )
    assert REFERENCE.split(references) == [
        "Mantel N. Cancer Chemother Rep 1966;50:163-70.",
        "Peto R, Peto J. J R Stat Soc A 1972;135:185-207.",
    ]

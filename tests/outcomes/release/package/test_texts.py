"""What the texts of the package say: codebook, disclosure report, method, items for reporting, citation."""

import csv
import re
import subprocess
import sys
from html.parser import HTMLParser

import pytest
import yaml

from outcomes.release.columns import COLUMNS
from outcomes.release.frozen import REPAIRS, TABLES
from outcomes.release.package import NOT_PROMISED
from outcomes.release.package.report import disclosure_report
from outcomes.release.package.reporting import known, reporting_items
from outcomes.release.package.reporting_lists import GUIDELINES
from tests.outcomes.release.frozen_example import frozen_example
from tests.outcomes.release.package.conftest import with_repairs

pytestmark = pytest.mark.any_engine

PAGES = ("codebook.html", "disclosure-report.html")


class Read(HTMLParser):
    """The elements and the words of a page."""

    def __init__(self, page):
        super().__init__()
        self.elements, self.reached, self._words = [], [], []
        self.feed(page)
        self.text = " ".join(" ".join(self._words).split())

    def handle_starttag(self, tag, attrs):
        self.elements.append(tag)
        self.reached += [value for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data):
        self._words.append(data)


@pytest.fixture(scope="module")
def report():
    return Read(disclosure_report(frozen_example())).text


@pytest.mark.parametrize("page", PAGES)
def test_a_page_needs_nothing_beside_it_and_runs_nothing(unpacked, page):
    read = Read((unpacked / page).read_text())
    assert not {"script", "link", "img", "iframe"} & set(read.elements)
    assert all(address.startswith("#") for address in read.reached)
    assert NOT_PROMISED in read.text


def test_what_people_entered_stays_text(unpacked):
    """The project is called Zones & outcome."""
    assert "Zones &amp; outcome" in (unpacked / "codebook.html").read_text()


def test_the_codebooks_tell_every_column(unpacked):
    rows = list(csv.DictReader((unpacked / "codebook.csv").read_text().splitlines()))
    assert [(row["table"], row["name"]) for row in rows] == [
        (table, column.name) for table in TABLES for column in COLUMNS[table]
    ]
    by_name = {row["name"]: row for row in rows if row["table"] == REPAIRS}
    assert by_name["outcome"]["allowed"].split()[:2] == ["failed", "censored"]
    assert by_name["meniscus"]["missing"] == "unknown"
    assert by_name["length_mm"]["unit"] == "mm"
    assert by_name["length_mm"]["missing"] == "empty"
    assert by_name["age"]["form"] == "20-year bands"
    assert by_name["year"]["form"] == by_name["unit"]["form"] == "not asked for"
    assert by_name["meniscus"]["form"] == ""

    page = Read((unpacked / "codebook.html").read_text()).text
    assert all(f" {column.label}" in page for table in TABLES for column in COLUMNS[table])
    assert "Here: 20-year bands" in page


def test_the_report_counts_who_was_left_out(report):
    hidden = frozen_example().hidden
    assert "Research permission refused 9 203" in report
    assert f"Stood out among the others {hidden.suppressed} {203 - hidden.suppressed}" in report
    assert f"Left out because they stood out {hidden.suppressed} of 203" in report


def test_the_report_tells_how_people_are_hidden(report):
    hidden = frozen_example().hidden
    assert "Patients alike asked for at least 5" in report
    assert f"Patients in the smallest class {hidden.patients}" in report
    assert f"Repairs in the smallest class (k) {hidden.k}" in report
    assert f"Largest distance of outcomes (t) {hidden.t_closeness:.3f}" in report
    assert f"Highest risk of being picked {100 / hidden.patients:.1f} %" in report
    assert "Age at the operation 20-year bands 2 of 4" in report


def test_the_report_tells_what_hiding_did_to_survival(report):
    for year in frozen_example().effect:
        before, after = f"{100 * year.permitted:.1f} %", f"{100 * year.released:.1f} %"
        assert f"{year.year} y {before} {after} {100 * (year.released - year.permitted):+.2f}" in report


def test_under_five_repairs_no_percentage_of_them_is_told():
    """Three people alike may be asked for; then a table may be as small."""
    few = with_repairs(frozen_example().tables[REPAIRS].head(4))
    told = Read(disclosure_report(few)).text
    survival = told[told.index("What the released repairs say") : told.index("Terms")]
    assert "%" not in survival
    assert "not told of under 5" in survival
    assert "%" not in known(few)["estimates"]


def test_few_at_risk_are_cautioned_of(report):
    """The example has 33 at risk at 5 years, its first 20 rows fewer than ten."""
    assert "remain at risk in some year" not in report
    fewer = with_repairs(frozen_example().tables[REPAIRS].head(20))
    assert "Fewer than 10 remain at risk in some year" in disclosure_report(fewer)


def test_the_guidelines_have_their_items():
    """22, 13 and 37 items: von Elm 2007, Benchimol 2015 (beside STROBE), Collins 2015; from memory."""
    items = {guideline.name: [number for number, *_ in guideline.items] for guideline in GUIDELINES}
    assert {name: len(set(numbers)) for name, numbers in items.items()} == {
        "STROBE": 22,
        "RECORD": 13,
        "TRIPOD": 37,
    }
    assert items["STROBE"] == [str(number) for number in range(1, 23)]
    assert len({re.sub(r"\D", "", number) for number in items["TRIPOD"]}) == 22


def test_every_item_is_filled_or_left_to_the_authors():
    text = reporting_items(frozen_example())
    rows = [line for line in text.splitlines() if re.match(r"\| \d", line)]
    assert len(rows) == 72
    assert all(len(re.split(r"(?<!\\)\|", row)) == 5 for row in rows)
    used = {fact for guideline in GUIDELINES for *_, fact in guideline.items if fact}
    assert used == set(known(frozen_example()))
    assert all(guideline.paper in text for guideline in GUIDELINES)


def test_the_items_tell_the_counts():
    example = frozen_example()
    told = known(example)
    repairs = example.tables[REPAIRS]
    assert f"{len(repairs)} repairs of {repairs['patient'].nunique()} patients" in told["size"]
    assert f"{repairs['failed'].sum()} failures" in told["outcomes"]
    assert f"length_mm {repairs['length_mm'].isna().sum()}" in told["missing"]
    assert f"meniscus {repairs['meniscus'].eq('unknown').sum()}" in told["missing"]
    assert "revises" not in told["missing"]
    known_at_entry = repairs["at_risk_from"].gt(0) & repairs["at_risk_from"].ge(repairs["days"])
    assert f"{known_at_entry.sum()} more had ended by then" in told["bias"]


def test_the_citation_file_is_valid_and_names_nobody(unpacked):
    """Against the schema of the Citation File Format, as check-jsonschema brings it."""
    checked = [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.citation-file-format"]
    done = subprocess.run([*checked, unpacked / "CITATION.cff"], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    said = yaml.safe_load((unpacked / "CITATION.cff").read_text())
    assert said["type"] == "dataset"
    assert said["title"] == "Zones & outcome: de-identified meniscal repairs"
    assert said["authors"] == [{"name": "Registry of meniscal repair, 2 units"}]


def test_the_entry_for_bibtex_is_whole(unpacked):
    text = (unpacked / "data-set.bib").read_text()
    assert text.startswith("@misc{meniscal-repairs-")
    # Signs that mean something to TeX are escaped.
    assert r"Zones \& outcome" in text
    assert text.count("{") == text.count("}")
    assert "year = {2026}" in text
    assert "month = nov" in text


def test_method_and_read_me_say_what_is_not_promised(unpacked):
    for name in ("method.md", "README.md"):
        assert NOT_PROMISED in (unpacked / name).read_text()
    method = (unpacked / "method.md").read_text()
    assert frozen_example().definition_sentence in method
    assert "at least 5 patients" in method

"""Without --json `analyse` prints the same values as tables, with method, source and cautions under them."""

import pytest

from outcomes.management.commands.analyse import Command
from tests.outcomes.analysis.running import analyse

# 28 repairs, one a day, of which 19 fail: all but each third.
ROWS = "days,failed,zone,risk,cause,seen,units,start,last,on\n" + "\n".join(
    f"{day},{int(day % 3 > 0)},{'RR' if day % 2 else 'RW'},0.{day % 8 + 1},{day % 3},{day + 2},{day + 1},"
    f"2020-01-{day:02},2021-01-{day:02},"
    for day in range(1, 29)
)
FOLLOWED = ("--duration", "days", "--event", "failed")
# Those of aml's group Maintained, whose reversed curve lies on one half from 45 to 161 weeks.
LEVEL_STRETCH = "days,failed\n9,1\n13,1\n13,0\n18,1\n23,1\n28,0\n31,1\n34,1\n45,0\n48,1\n161,0\n"
SHOWN = [
    ("kaplan-meier", (*FOLLOWED, "--at", "10,99"), ("Still standing", "19", "At 10 [at risk]", "[19]")),
    ("log-rank", (*FOLLOWED, "--group", "zone"), ("Log-rank test", "RR", "Observed", "P after Holm")),
    ("cox", (*FOLLOWED, "--covariates", "zone"), ("zone[RW]", "Hazard ratio", "Concordance", "GLOBAL")),
    (
        "cumulative-incidence",
        ("--duration", "days", "--event", "cause"),
        ("cause 1", "cause 2", "Incidence"),
    ),
    ("interval-censored", ("--lower", "days", "--upper", "seen"), ("After", "Until", "log likelihood")),
    ("restricted-mean", (*FOLLOWED, "--tau", "20"), ("Mean", "20", "Standard error")),
    ("follow-up", (*FOLLOWED, "--group", "zone"), ("Median follow-up", "RR", "RW")),
    ("proportion", ("--event", "failed"), ("19", "28", "67.9 %")),
    ("rate", FOLLOWED, ("19", "406", "0.0468")),
    ("funnel", ("--event", "failed", "--total", "units"), ("Target", "99.8 % from", "Over-dispersion")),
    ("cusum", ("--event", "failed", "--expected", "risk", "--limit", "2"), ("signal", "Weight", "19")),
    (
        "completeness",
        ("--start", "start", "--last", "last", "--failed", "on", "--close", "2021-02-01"),
        ("Days observed", "10,248"),
    ),
    ("anonymity", ("--keys", "zone", "--sensitive", "cause"), ("Smallest class (k)", "14", "2")),
]


@pytest.fixture
def printed(tmp_path):
    """What a method prints of a file of this content."""

    def of(method, *options, content=ROWS):
        path = tmp_path / "repairs.csv"
        path.write_text(content)
        ended = analyse(path, "--method", method, *options)
        assert (ended.code, ended.err) == (0, "")
        return ended.out

    return of


@pytest.mark.parametrize(("method", "options", "said"), SHOWN)
def test_every_method_has_tables(printed, method, options, said):
    text = printed(method, *options)
    assert [words for words in said if words not in text] == []
    assert "Method: " in text
    assert "Source: " in text
    assert "not a medical device" in text


def test_cautions_name_their_group(printed):
    text = printed("kaplan-meier", *FOLLOWED, "--group", "zone", "--at", "20")
    assert "Caution: RW: Only 5 remain at risk" in text


def test_a_median_that_is_not_reached_says_so(printed):
    content = "days,failed\n" + "10,0\n" * 20 + "5,1\n"
    assert "not reached" in printed("kaplan-meier", *FOLLOWED, content=content)
    assert "103 (13 to not reached)" in printed("follow-up", *FOLLOWED, content=LEVEL_STRETCH)


def test_a_long_table_says_what_it_leaves_out(printed):
    content = "days,failed\n" + "\n".join(f"{day},1" for day in range(1, 1202))
    text = printed("kaplan-meier", *FOLLOWED, content=content)
    assert "the first 1,000 of 1,201 rows; --json gives all" in text
    assert "│ 1,000 " in text
    assert "│ 1,001 " not in text


def test_help_ends_with_examples(capsys):
    with pytest.raises(SystemExit) as end:
        Command().run_from_argv(["manage.py", "analyse", "--help"])
    assert end.value.code == 0
    text = capsys.readouterr().out
    *_, example, codes = [line for line in text.splitlines() if line]
    assert example.endswith("--json")
    assert codes.startswith("Exit codes: 0: done;")
    assert "manage.py analyse repairs.csv --method kaplan-meier" in text

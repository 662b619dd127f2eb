"""Each method's own bad cells, dates and options: exit code 2 and one sentence with column, row and value."""

import pytest

from tests.outcomes.analysis.running import Ended, analyse

GOOD = "days,failed,zone\n10,1,RR\n20,0,RW\n30,1,RR\n"
FOLLOWED = ("--method", "kaplan-meier", "--duration", "days", "--event", "failed")


def refused(ended: Ended) -> str:
    """The one sentence of a refusal."""
    assert ended.code == 2, ended
    assert ended.out == ""
    assert len(ended.err.splitlines()) == 1, ended.err
    assert "Traceback" not in ended.err
    return ended.err.strip()


@pytest.fixture
def refusal(tmp_path):
    """The sentence with which a file of this content is refused."""

    def of(content: str, *options: str) -> str:
        path = tmp_path / "file.csv"
        path.write_text(content)
        return refused(analyse(path, *options))

    return of


# Of duration d and event e; it is row 3 that is wrong, but for blank lines, which count as in a spreadsheet.
WRONG_ROWS_OF_TIMES = [
    ("kaplan-meier", "d,e,p\n9,1,a\n8,0,\n", ("--cluster", "p"), ("'p'", "row 3", "no value")),
    ("kaplan-meier", "d,e,g\n9,1,a\n8,0,NA\n", ("--group", "g"), ("'g'", "row 3", "no value")),
    ("kaplan-meier", "d,e,n\n9,1,0\n8,0,8\n", ("--entry", "n"), ("'n'", "row 3", "'8'", "enter before")),
    ("kaplan-meier", "d,e,n\n9,1,0\n8,0,-1\n", ("--entry", "n"), ("'n'", "row 3", "'-1'")),
    ("kaplan-meier", "d,e\n9,1\n\n8,x\n", (), ("'e'", "row 4", "'x'")),
    ("kaplan-meier", 'd,e,n\n9,1,"two\nlines"\nx,0,\n', (), ("'d'", "row 3", "'x'")),
    ("kaplan-meier", "d,e\n9,1\nnan,0\n", (), ("'d'", "row 3", "no value")),
    ("kaplan-meier", "d,e\n9,1\n1_000,0\n", (), ("'d'", "row 3", "'1_000'")),
    ("kaplan-meier", 'd,e\n9,1\n"3,5",0\n', (), ("'d'", "row 3", "'3,5'")),
    ("kaplan-meier", "d,e\n9,1\n8,0.5\n", (), ("'e'", "row 3", "'0.5'")),
    ("kaplan-meier", 'd,e\n9,1\n"8,0\n', (), ("row 3", "not CSV")),
    ("kaplan-meier", "d;e\n9;1\n8;0\n", (), ("'d'", "commas")),
    ("log-rank", "d,e,g,s\n9,1,a,u\n8,0,b,\n", ("--group", "g", "--strata", "s"), ("'s'", "row 3")),
    ("log-rank", "d,e,g,s\n9,1,a,u\n8,0,,u\n", ("--group", "g", "--strata", "s"), ("'g'", "row 3")),
    ("cox", "d,e,a\n9,1,70\n8,0,old\n", ("--covariates", "a"), ("'a'", "row 3", "'old'")),
    ("cox", "d,e,a\n9,1,70\n8,0,1e999\n", ("--covariates", "a"), ("'a'", "row 3", "'1e999'")),
    ("cox", "d,e,a,p\n9,1,70,x\n8,0,60,\n", ("--covariates", "a", "--cluster", "p"), ("'p'", "row 3")),
    ("cumulative-incidence", "d,e\n9,1\n8,1.5\n", (), ("'e'", "row 3", "'1.5'", "cause")),
    ("cumulative-incidence", "d,e\n9,1\n8,-1\n", (), ("'e'", "row 3", "'-1'")),
    ("cumulative-incidence", "d,e\n9,1\n8,1e300\n", (), ("'e'", "row 3", "'1e300'")),
    ("rate", "d,e\n9,1\n8,-2\n", (), ("'e'", "row 3", "'-2'")),
]
LOOKS = ("--lower", "l", "--upper", "u")
UNITS = ("--event", "e", "--total", "t")
RUN = ("--event", "e", "--expected", "p")
WRONG_ROWS = [
    ("interval-censored", "l,u\n1,2\n3,2\n", LOOKS, ("'u'", "row 3", "'2'", "below")),
    ("interval-censored", "l,u\n1,2\n,2\n", LOOKS, ("'l'", "row 3", "no value")),
    ("interval-censored", "l,u\n1,2\n1,inf\n", LOOKS, ("'u'", "row 3", "'inf'")),
    ("proportion", "e\n1\n2\n", ("--event", "e"), ("'e'", "row 3", "'2'")),
    ("funnel", "e,t\n1,9\n9,8\n", UNITS, ("'e'", "row 3", "more than 't'")),
    ("funnel", "e,t\n1,9\n0,0\n", UNITS, ("'t'", "row 3", "'0'")),
    ("funnel", "e,t\n1,9\n0.5,8\n", UNITS, ("'e'", "row 3", "'0.5'")),
    ("cusum", "e,p\n1,0.1\n0,0\n", RUN, ("'p'", "row 3", "between 0 and 1")),
    ("cusum", "e,p\n1,0.1\n0,1\n", RUN, ("'p'", "row 3", "between 0 and 1")),
    ("cusum", "e,p\n1,0.1\n0,\n", RUN, ("'p'", "row 3", "no value")),
]


@pytest.mark.parametrize(("method", "content", "options", "said"), WRONG_ROWS_OF_TIMES)
def test_a_wrong_cell_of_times_is_named(refusal, method, content, options, said):
    sentence = refusal(content, "--method", method, "--duration", "d", "--event", "e", *options)
    assert all(words in sentence for words in said), sentence


@pytest.mark.parametrize(("method", "content", "options", "said"), WRONG_ROWS)
def test_a_wrong_cell_is_named(refusal, method, content, options, said):
    sentence = refusal(content, "--method", method, *options)
    assert all(words in sentence for words in said), sentence


DATES = ("--method", "completeness", "--start", "s", "--last", "l", "--failed", "f", "--close", "2021-01-01")


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2020-02-30,2020-06-01,", ("'s'", "not a date")),
        ("01/02/2020,2020-06-01,", ("'s'", "not a date")),
        ("20200201,2020-06-01,", ("'s'", "not a date")),
        ("0000-01-01,2020-06-01,", ("'s'", "not a date")),
        (",2020-06-01,", ("'s'", "no value")),
        ("2021-01-02,2021-06-01,", ("'s'", "--close")),
        ("2020-03-01,,", ("'l'", "no value")),
        ("2020-03-01,2020-02-01,", ("'l'", "before 's'")),
        ("2020-03-01,2020-04-01,2020-02-01", ("'f'", "before 's'")),
        ("2020-03-01,2020-04-01,soon", ("'f'", "'soon'")),
    ],
)
def test_a_wrong_date_is_named(refusal, row, said):
    sentence = refusal(f"s,l,f\n2020-01-01,2020-06-01,\n{row}\n", *DATES)
    assert all(words in sentence for words in ("row 3", *said)), sentence


# Twelve repairs of which eight fail, and covariates that nothing can be made of.
TWELVE = "\n".join(f"{day},{int(day % 3 > 0)},a,{day},{2 * day},{int(day % 3 > 0)}" for day in range(1, 13))


@pytest.mark.parametrize(
    ("covariates", "said"),
    [
        ("same", "same"),
        ("one,two", "8 events"),
        ("fate", "no finite hazard ratio"),
        ("day,day", "twice"),
        ("day,", "empty"),
    ],
)
def test_a_regression_that_cannot_be_is_refused(refusal, covariates, said):
    options = ("--method", "cox", "--duration", "day", "--event", "e", "--covariates", covariates)
    assert said in refusal(f"day,e,same,one,two,fate\n{TWELVE}\n", *options)


OF_DAYS = FOLLOWED[2:]
OF_FAILED = ("--event", "failed")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ((), "--method"),
        ((*FOLLOWED, "--at", "365,,730"), "--at"),
        ((*FOLLOWED, "--at", "1e999"), "--at"),
        ((*FOLLOWED, "--json", "--color"), "--color"),
        (("--method", "restricted-mean", *OF_DAYS, "--group", "zone", "--tau", "25"), "25"),
        (("--method", "restricted-mean", *OF_DAYS, "--tau", "nan"), "--tau"),
        (("--method", "log-rank", *OF_DAYS), "--group"),
        (("--method", "log-rank", *OF_DAYS, "--group", "zone", "--cluster", "zone"), "--cluster"),
        (("--method", "cox", *OF_DAYS, "--covariates", "zone", "--reference", "zone"), "--reference"),
        (("--method", "cox", *OF_DAYS, "--covariates", "zone", "--reference", "days=10"), "--covariates"),
        (("--method", "cusum", *OF_FAILED, "--expected", "days", "--odds-ratio", "1"), "--odds-ratio"),
        (("--method", "cusum", *OF_FAILED, "--expected", "days", "--limit", "0"), "--limit"),
        (("--method", "funnel", *OF_FAILED, "--total", "days", "--target", "1"), "--target"),
        ((*DATES[:-1], "31.12.2020"), "--close"),
        ((*DATES, "--horizon", "-1"), "--horizon"),
        (("--method", "anonymity", "--keys", "zone", "--sensitive", "zone"), "sensitive"),
        (("--method", "anonymity", "--keys", "zone,zone"), "twice"),
    ],
)
def test_a_bad_option_is_named(refusal, options, said):
    assert said in refusal(GOOD, *options)


def test_a_folder_is_no_file(tmp_path):
    assert "cannot be read" in refused(analyse(tmp_path, *FOLLOWED))


def test_what_a_file_holds_steers_no_terminal(tmp_path):
    path = tmp_path / "file.csv"
    path.write_text('days,failed,"zo\nne"\n10,1,"\x1b[31m[bold]red\x1b[0m"\n20,\x1b[2J,x\n')
    assert "\x1b" not in refused(analyse(path, *FOLLOWED))
    path.write_text('days,failed,zone\n10,1,"\x1b[31m[bold]:smile:\n"\n20,0,x\n')
    said = analyse(path, *FOLLOWED, "--group", "zone").out
    assert "\x1b" not in said
    assert "[bold]:smile:" in said

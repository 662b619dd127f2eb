"""An answer as readable tables: the same values, rounded, with method, sources and cautions below."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from io import StringIO
from typing import Any

from rich.console import Console, Group
from rich.table import Table
from rich.text import Text

from outcomes import wording
from outcomes.analysis.answer import Answer, Values

# Room for the columns, whatever the terminal claims to be.
WIDTH = 150
# Longer tables are for machines; what is cut off is said.
LONGEST = 1000
UNDEFINED = "-"
NOT_A_DEVICE = (
    "For audit and research; not a medical device: local protocol and the operating surgeon decide."
)

Row = Sequence[str]


def text_of(method: str, answer: Answer) -> str:
    """Write an answer of a method for a terminal."""
    console = Console(file=StringIO(), highlight=False, emoji=False, markup=False, width=WIDTH)
    with console.capture() as captured:
        for drawn in TABLES[method](answer.values):
            console.print(drawn, end="\n\n")
        for label, sentences in (("Caution", answer.cautions), ("Method", answer.methods)):
            for sentence in sentences:
                console.print(f"{label}: {printable(sentence)}")
        for sentence in answer.references:
            console.print(f"Source: {sentence}")
        console.print(NOT_A_DEVICE)
    return captured.get()


def drawn(title: str, columns: Sequence[str], rows: Iterable[Row]) -> Group:
    """A title, and under it a table whose first column is text and whose others are numbers."""
    rows = list(rows)
    cut = f" (the first {LONGEST:,} of {len(rows):,} rows; --json gives all)" if len(rows) > LONGEST else ""
    table = Table()
    for place, column in enumerate(columns):
        table.add_column(printable(column), justify="right" if place else "left")
    for row in rows[:LONGEST]:
        table.add_row(*row)
    # A table's own title would be broken at the table's width.
    return Group(Text(printable(title) + cut, style="bold"), table)


def printable(text: str) -> str:
    """Text of a file as one line that steers no terminal."""
    return "".join(character if character.isprintable() else repr(character)[1:-1] for character in text)


def number(value: float | None) -> str:
    """A number with at most four decimals, a small one with three digits, a dash when undefined."""
    if value is None:
        return UNDEFINED
    if value and abs(value) < 1e-3:
        return f"{value:.3g}"
    return f"{value:,.4f}".rstrip("0").rstrip(".")


def _time(value: float | None) -> str:
    """A median or a limit of it."""
    return wording.NOT_REACHED if value is None else number(value)


def p(value: float | None) -> str:
    """A P value under a column named P."""
    return UNDEFINED if value is None else wording.p_value(value).removeprefix("P ").removeprefix("= ")


def with_limits(values: Values, name: str = "estimate", write: Callable[[float | None], str] = number) -> str:
    """An estimate with its interval: "27 (18 to 45)"."""
    if values[name] is None or (values["lower"] is None and values["upper"] is None):
        return write(values[name])
    return f"{write(values[name])} ({write(values['lower'])} to {write(values['upper'])})"


def _bare_percent(share: float | None) -> str:
    return wording.percent(share).removesuffix(" %")


def share_with_limits(values: Values, name: str = "estimate") -> str:
    """A share with its interval: "82.1 % (78.0 to 85.6)"."""
    if values[name] is None or values["lower"] is None or values["upper"] is None:
        return wording.percent(values[name])
    limits = f"{_bare_percent(values['lower'])} to {_bare_percent(values['upper'])}"
    return f"{wording.percent(values[name])} ({limits})"


def _steps(values: Mapping[str, Any], names: Sequence[str]) -> Iterator[Values]:
    """The entries of equally long lists as one mapping each."""
    for step in zip(*(values[name] for name in names), strict=True):
        yield dict(zip(names, step, strict=True))


def _kaplan_meier(values: Values) -> Iterator[Group]:
    groups = values["groups"]
    asked = list(next(iter(groups.values()))["at"])
    yield drawn(
        "Still standing, with 95 % interval",
        ("Group", "n", "Failed", "Median", *(f"At {day} [at risk]" for day in asked)),
        (
            (
                printable(name),
                number(curve["n"]),
                number(curve["events"]),
                with_limits(curve["median"], write=_time),
                *(
                    f"{share_with_limits(at, 'survival')} [{number(at['at_risk'])}]"
                    for at in curve["at"].values()
                ),
            )
            for name, curve in groups.items()
        ),
    )
    for name, curve in groups.items():
        yield drawn(
            f"Curve of {name}",
            ("Time", "At risk", "Failed", "Censored", "Still standing", "Standard error"),
            (
                (
                    *(number(step[column]) for column in ("time", "at_risk", "events_at", "censored_at")),
                    share_with_limits(step, "survival"),
                    number(step["std_error"]),
                )
                for step in _steps(curve, [name for name in curve if isinstance(curve[name], tuple)])
            ),
        )


def _log_rank(values: Values) -> Iterator[Group]:
    yield drawn(
        "Log-rank test",
        ("Chi-square", "Degrees of freedom", "P"),
        [(number(values["statistic"]), number(values["df"]), p(values["p"]))],
    )
    yield drawn(
        "Failures by group",
        ("Group", "n", "Observed", "Expected"),
        (
            (printable(name), *(number(group[column]) for column in ("n", "observed", "expected")))
            for name, group in values["groups"].items()
        ),
    )
    yield drawn(
        "Groups in pairs",
        ("Group", "And", "Chi-square", "P", "P after Holm"),
        (
            (
                printable(pair["a"]),
                printable(pair["b"]),
                number(pair["statistic"]),
                p(pair["p"]),
                p(pair["p_holm"]),
            )
            for pair in values["pairwise"]
        ),
    )


def _cox(values: Values) -> Iterator[Group]:
    yield drawn(
        "Hazard ratios, with 95 % interval",
        ("Covariate", "Hazard ratio", "Coefficient", "Standard error", "Robust error", "z", "P"),
        (
            (
                printable(name),
                with_limits(term, "hazard_ratio"),
                *(number(term[column]) for column in ("coef", "std_error", "robust_std_error", "z")),
                p(term["p"]),
            )
            for name, term in values["coefficients"].items()
        ),
    )
    yield drawn(
        "Fit",
        ("n", "Left out", "Concordance", "Log likelihood"),
        [tuple(number(values[column]) for column in ("n", "left_out", "concordance", "log_likelihood"))],
    )
    yield drawn(
        "Test of proportional hazards",
        ("Covariate", "Chi-square", "P"),
        (
            (printable(name), number(test["statistic"]), p(test["p"]))
            for name, test in values["proportional_hazards"].items()
        ),
    )


def _cumulative_incidence(values: Values) -> Iterator[Group]:
    for name, causes in values["groups"].items():
        for cause, curve in causes.items():
            yield drawn(
                f"Share of {name} that cause {cause} has ended",
                ("Time", "Incidence", "Standard error"),
                (
                    (number(step["time"]), wording.percent(step["incidence"]), number(step["std_error"]))
                    for step in _steps(curve, ("time", "incidence", "std_error"))
                ),
            )


def _interval_censored(values: Values) -> Iterator[Group]:
    for name, found in values["groups"].items():
        yield drawn(
            f"Where failures of {name} lie (log likelihood {number(found['log_likelihood'])})",
            ("After", "Until", "Share"),
            (
                (number(left), "never seen" if right is None else number(right), wording.percent(mass))
                for (left, right), mass in zip(found["intervals"], found["mass"], strict=True)
            ),
        )


def _by_group(
    title: str, columns: Mapping[str, Callable[[Values], str]]
) -> Callable[[Values], Iterator[Group]]:
    """A method with one line a group: what each column shows of it."""

    def tables(values: Values) -> Iterator[Group]:
        groups = values["groups"].items()
        rows = ((printable(name), *(show(group) for show in columns.values())) for name, group in groups)
        yield drawn(title, ("Group", *columns), rows)

    return tables


def _field(name: str) -> Callable[[Values], str]:
    return lambda values: number(values[name])


def _funnel(values: Values) -> Iterator[Group]:
    yield drawn(
        "All units",
        ("Target", "Over-dispersion"),
        [(wording.percent(values["target"]), number(values["over_dispersion"]))],
    )
    shares = ("share", "lower_95", "upper_95", "lower_998", "upper_998")
    yield drawn(
        "Units in order of the file",
        ("Unit", "Failed", "Of", "Share", "95 % from", "to", "99.8 % from", "to"),
        (
            (
                str(place),
                number(unit["events"]),
                number(unit["total"]),
                *(wording.percent(unit[at]) for at in shares),
            )
            for place, unit in enumerate(values["units"], start=1)
        ),
    )


def _cusum(values: Values) -> Iterator[Group]:
    yield drawn(
        "The run",
        ("Observed", "Expected", "Observed / expected", "Signals"),
        [
            (
                *(number(values[name]) for name in ("observed", "expected", "ratio")),
                number(len(values["signals"])),
            )
        ],
    )
    signals = set(values["signals"])
    yield drawn(
        "Path, results in order of the file from 0",
        ("Result", "Weight", "Path", "Signal"),
        (
            (str(place), number(weight), number(path), "signal" if place in signals else "")
            for place, (weight, path) in enumerate(zip(values["weights"], values["path"], strict=True))
        ),
    )


def _one_line(title: str, columns: Mapping[str, str]) -> Callable[[Values], Iterator[Group]]:
    """A method with one line in all: the value under each heading."""

    def tables(values: Values) -> Iterator[Group]:
        yield drawn(title, tuple(columns), [tuple(number(values[name]) for name in columns.values())])

    return tables


TABLES: dict[str, Callable[[Values], Iterator[Group]]] = {
    "kaplan-meier": _kaplan_meier,
    "log-rank": _log_rank,
    "cox": _cox,
    "cumulative-incidence": _cumulative_incidence,
    "interval-censored": _interval_censored,
    "restricted-mean": _by_group(
        "Mean time without failure, with 95 % interval",
        {"Up to": _field("tau"), "Mean": with_limits, "Standard error": _field("std_error")},
    ),
    "follow-up": _by_group(
        "Median follow-up, with 95 % interval",
        {"Median": lambda values: with_limits(values, "median", _time)},
    ),
    "proportion": _by_group(
        "Share that failed, with 95 % interval",
        {"Failed": _field("x"), "Of": _field("n"), "Share": share_with_limits},
    ),
    "rate": _by_group(
        "Events in one unit of time, with 95 % interval",
        {"Events": _field("events"), "Time": _field("person_time"), "Rate": with_limits},
    ),
    "funnel": _funnel,
    "cusum": _cusum,
    "completeness": _one_line(
        "Completeness of follow-up",
        {
            "Days observed": "observed_days",
            "Days possible": "potential_days",
            "Observed / possible": "completeness",
        },
    ),
    "anonymity": _one_line(
        "How well a person is hidden",
        {
            "Smallest class (k)": "k",
            "Classes": "classes",
            "Fewest distinct values (l)": "distinct_l",
            "Largest distance (t)": "t_closeness",
        },
    ),
}

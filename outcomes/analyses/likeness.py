"""Which repairs each published figure of failure is like, and what it counts as failure."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from django.utils.text import get_text_list

from outcomes.cohort import Cohort
from outcomes.failure import REOPERATED, FailureDefinition
from outcomes.published import PublishedFigure
from outcomes.strata import STRATA


class Kind(StrEnum):
    """What a definition counts as failure."""

    REOPERATION = "reoperation"
    WIDER = "signs, scores or imaging too"
    UNKNOWN = "not said"


@dataclass(frozen=True, slots=True)
class _About:
    """What a published figure is about: the levels of each stratum that it is limited to.

    Of levels this registry can tell apart only the nearest are named; the population is printed beside.
    `elsewhere` says why no cohort here is like it.
    """

    levels: Mapping[str, frozenset[str]] = field(default_factory=dict)
    kind: Kind = Kind.UNKNOWN
    elsewhere: str = ""


def _about(kind: Kind, *, elsewhere: str = "", **levels: str) -> _About:
    limited = {code: frozenset(named.split()) for code, named in levels.items()}
    return _About(limited, kind, elsewhere)


_YOUNGER = " ".join(code for code in STRATA["age"].levels if code != "from_40")
_WITH_LIGAMENT, _ALONE = "same_operation", "none"
_OLD_DEVICES = "early devices, no longer in use"
# Which part of a cohort each figure is like, and what it counts as failure, read from its own words.
FIGURES = {
    "failure_nepple_2012": _about(Kind.WIDER),
    "failure_nepple_2022_all": _about(Kind.WIDER),
    "failure_nepple_2022_modern": _about(Kind.WIDER),
    "failure_nepple_2022_medial": _about(Kind.WIDER, meniscus="medial"),
    "failure_nepple_2022_lateral": _about(Kind.WIDER, meniscus="lateral"),
    "failure_nepple_2022_inside_out": _about(Kind.WIDER, technique="inside_out"),
    "failure_nepple_2022_all_inside_modern": _about(Kind.WIDER, technique="all_inside"),
    "failure_nepple_2022_all_inside_early": _about(Kind.WIDER, elsewhere=_OLD_DEVICES),
    "failure_nepple_2022_with_acl": _about(Kind.WIDER, ligament=_WITH_LIGAMENT),
    "failure_nepple_2022_acl_intact": _about(Kind.WIDER, ligament=_ALONE),
    "failure_ow_2021_0_1": _about(Kind.WIDER),
    "failure_ow_2021_2_3": _about(Kind.WIDER),
    "failure_ow_2021_4_6": _about(Kind.WIDER),
    "failure_schweizer_2022_all": _about(Kind.REOPERATION),
    "failure_schweizer_2022_with_acl": _about(Kind.REOPERATION, ligament=_WITH_LIGAMENT),
    "failure_schweizer_2022_isolated": _about(Kind.REOPERATION, ligament=_ALONE),
    "failure_schweizer_2022_lateral": _about(Kind.REOPERATION, meniscus="lateral"),
    "failure_schweizer_2022_medial": _about(Kind.REOPERATION, meniscus="medial"),
    "failure_poland_2017_all": _about(Kind.REOPERATION),
    "failure_poland_2017_from_40": _about(Kind.REOPERATION, age="from_40"),
    "failure_poland_2017_below_40": _about(Kind.REOPERATION, age=_YOUNGER),
    "failure_costa_2022_bucket_handle": _about(Kind.UNKNOWN, pattern="bucket_handle"),
    "failure_costa_2022_bucket_handle_counted": _about(Kind.UNKNOWN, pattern="bucket_handle"),
    "failure_costa_2022_simple_counted": _about(Kind.UNKNOWN, pattern="longitudinal radial horizontal"),
    "failure_bucket_handle_medial_stable_2024": _about(
        Kind.REOPERATION, pattern="bucket_handle", meniscus="medial", ligament=_ALONE, zone="RR RW"
    ),
    "failure_spindler_2003_inside_out": _about(
        Kind.REOPERATION, meniscus="medial", ligament=_WITH_LIGAMENT, technique="inside_out"
    ),
    "failure_spindler_2003_all_inside": _about(Kind.REOPERATION, elsewhere=_OLD_DEVICES),
    "failure_kssta_2018": _about(Kind.REOPERATION),
    "failure_wasserstein_2013_with_acl": _about(Kind.REOPERATION, ligament=_WITH_LIGAMENT),
    "failure_wasserstein_2013_alone": _about(Kind.REOPERATION, ligament=_ALONE),
    "failure_muench_2022": _about(Kind.REOPERATION, pattern="bucket_handle", acuity="acute"),
    "failure_kurosaka_2002": _about(Kind.UNKNOWN, elsewhere="only repairs found stable at a second look"),
}


def kind_of(definition: FailureDefinition) -> Kind:
    """What a definition of the registry counts as failure."""
    reoperated = all(source.kind == REOPERATED for source in definition.sources)
    return Kind.REOPERATION if reoperated else Kind.WIDER


def kind_printed(figure: PublishedFigure) -> Kind:
    """What a published figure counts as failure, by its own words."""
    about = FIGURES.get(figure.code)
    return about.kind if about else Kind.UNKNOWN


def unlike(figure: PublishedFigure, cohort: Cohort) -> str:
    """Why a figure is not drawn beside a cohort; empty when it is."""
    about = FIGURES.get(figure.code)
    if about is None:
        return "not yet said which repairs it is like"
    if about.elsewhere:
        return about.elsewhere
    if figure.from_years is None:
        return "no years given"
    if figure.share is None and figure.lower is None:
        return "no share given"
    other = [code for code, levels in about.levels.items() if getattr(cohort, code) not in levels]
    if not other:
        return ""
    titles = get_text_list([STRATA[code].title for code in other], "and")
    return f"another part of repairs: filter by {titles}"

"""What a briefing may tell apart: nothing that is one surgeon's. Read by many, it is judged as for nobody."""

from __future__ import annotations

from collections.abc import Sequence

from django.contrib.auth.models import AnonymousUser
from django.utils.text import get_text_list

from outcomes import isolation
from outcomes.briefing.asked import AskedWronglyError, Brief
from outcomes.cohort import Cohort
from outcomes.strata import MAIN_STRATA, Stratum, unsplit

NOBODY = AnonymousUser()


def refuse_one_surgeon(brief: Brief) -> None:
    """Refuse a period whose repairs, or those it leaves out, are all of one of several surgeons.

    Raises
    ------
    AskedWronglyError
        Naming the day, the rule and the mend.
    """
    if _is_of_one_surgeon(brief):
        return
    for name, cohort in (("until", brief.followed), ("since", brief.operated)):
        if reason := isolation.refusal(NOBODY, cohort, brief.units):
            raise AskedWronglyError(f"{name}: {reason}")


def splits_for_all(brief: Brief) -> list[Stratum]:
    """The main strata that anybody may see, levels of one surgeon taken together; never none."""
    main = list(MAIN_STRATA.values())
    if _is_of_one_surgeon(brief):
        return main
    shown = isolation.joined_splits(NOBODY, brief.followed, brief.units, main)
    return shown or [unsplit(not_split(main))]


def not_split(missing: Sequence[Stratum]) -> str:
    """Why the curves are not split by these; empty when there are none."""
    titles = get_text_list([stratum.title for stratum in missing], "or")
    return f"Not split by {titles}. {isolation.RULE}" if missing else ""


def left_out(shown: Sequence[str]) -> str:
    """Why the curves are not split by the main strata that are not among the codes shown."""
    return not_split([stratum for code, stratum in MAIN_STRATA.items() if code not in shown])


def _is_of_one_surgeon(brief: Brief) -> bool:
    """Whether the unit is one surgeon, so that its whole tells no more than any part of it."""
    leads = Cohort(which="all").repairs(brief.units).values("tear__procedure__lead_surgeon").distinct()
    return leads.count() < 2

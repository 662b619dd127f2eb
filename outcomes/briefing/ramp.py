"""Ramp lesions in the period: looked for in ACL-torn knees, and found."""

from __future__ import annotations

import pandas as pd
from django.db.models import Count, Exists, OuterRef

from outcomes.briefing.asked import Brief
from outcomes.estimators.rates import proportion
from outcomes.own.ramp import LOOKS, TORN, Ramp
from registry.models import Tear
from registry.vocabulary import Pattern, PosteromedialLook


def ramp_in(brief: Brief) -> Ramp:
    """The looks and finds of the unit's operations in the period, in one query."""
    found = Tear.objects.filter(procedure=OuterRef("pk"), pattern=Pattern.RAMP)
    rows = (
        brief.period.operations()
        .filter(unit=brief.unit, acl__in=TORN)
        .annotate(found=Exists(found))
        .values_list("posteromedial_look", "found")
        .annotate(n=Count("pk"))
    )
    table = pd.DataFrame(list(rows), columns=["look", "found", "n"])
    looked, has_ramp = table["look"].isin(LOOKS), table["found"].astype(bool)

    def count(chosen: pd.Series[bool]) -> int:
        return int(table.loc[chosen, "n"].sum())

    return Ramp(
        looked=proportion(count(looked), int(table["n"].sum())),
        probed=count(table["look"] == PosteromedialLook.PROBED),
        not_recorded=count(table["look"] == ""),
        found=proportion(count(looked & has_ramp), count(looked)),
        found_without=proportion(count(~looked & has_ramp), count(~looked)),
    )

"""Levels of one surgeon are told together, by the rule as it is written: no surgeon's results alone."""

import pandas as pd

TOGETHER = "together"


def mixed(rows: pd.DataFrame, levels: pd.Series) -> "dict[str, str] | None":
    """The level that each level is told as; None where no two would be left."""
    leads = {level: set(of_level) for level, of_level in rows.groupby(levels)["lead_surgeon_id"]}
    as_they_are = {level: level for level in leads}
    alone = [level for level, surgeons in leads.items() if len(surgeons) == 1]
    if not alone:
        return as_they_are
    rest = sorted(leads.keys() - set(alone), key=lambda level: (len(leads[level]), level))
    while len(set.union(*(leads[level] for level in alone))) == 1 and rest:
        alone.append(rest.pop(0))
    if not rest or len(set.union(*(leads[level] for level in alone))) == 1:
        return None
    return as_they_are | dict.fromkeys(alone, TOGETHER)

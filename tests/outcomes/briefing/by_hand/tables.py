"""The tables of the record as frames of plain values; days are numbers."""

from datetime import date, datetime
from typing import Any

import pandas as pd

from registry import models

NAMES = (
    "Unit", "Surgeon", "PlannedTimePoint", "Patient", "Knee", "IndexProcedure", "Tear", "Repair", "Visit",
    "Imaging", "ImagingFinding", "SecondLook", "SecondLookFinding", "Reoperation", "ReoperationOnTear",
    "Complication", "Contact", "EndOfFollowUp", "ScoreResponse", "PatientReport", "GivenUpReview",
)  # fmt: skip

Tables = dict[str, pd.DataFrame]


def read() -> Tables:
    """Every table that a briefing reads, without withdrawn rows."""
    return {name: _frame(getattr(models, name)) for name in NAMES}


def _frame(model: Any) -> pd.DataFrame:
    columns = [field.attname for field in model._meta.concrete_fields]
    rows = pd.DataFrame(list(model.ever.values(*columns)), columns=columns, dtype=object)
    rows = rows[rows["withdrawn_at"].isna()].reset_index(drop=True)
    return rows.map(_plain).infer_objects()


def _plain(value: Any) -> Any:
    """Dates, and the dates of moments, as day numbers."""
    if isinstance(value, datetime):
        return value.date().toordinal()
    return value.toordinal() if isinstance(value, date) else value


def beside(rows: pd.DataFrame, column: str, of: pd.DataFrame, *names: str) -> pd.DataFrame:
    """Rows with columns of the table that `column` points to, under "table's column" names as given."""
    wanted = of.set_index("id")[list(names)]
    return rows.join(wanted.add_prefix(f"{column}."), on=column)

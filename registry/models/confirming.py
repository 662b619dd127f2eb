"""What holds of an operation that confirms a patient's report, whichever kind of operation it is."""

from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import Q

from registry.models.limits import told


def reports_confirmed(operation: Any) -> list[str]:
    """Why an operation cannot be withdrawn: each report of the patient that it confirms."""
    return [f"it confirms the {report}" for report in operation.reports.all()]


def refuse_past_its_reports(operation: Any) -> None:
    """It stays on the knee of the reports that it confirms, no later than their answers."""
    if operation.pk is None or operation.operated_on is None:
        return
    past = Q(answered_on__lt=operation.operated_on) | ~Q(knee=operation.knee_id)
    if report := operation.reports.filter(past).first():
        raise ValidationError(
            {
                "operated_on": f"This operation confirms the {report}; {told(operation.operated_on)} is too "
                "late for that, or the knee another. Correct it, or first take back that it confirms it."
            }
        )

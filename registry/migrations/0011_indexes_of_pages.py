"""Indexes of lists on pages: the latest operations, staged knees, and who says they were operated on again."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("registry", "0010_trust"),
    ]

    operations = [
        migrations.AddIndex(
            model_name="indexprocedure",
            index=models.Index(fields=["-operated_on", "-id"], name="procedure_latest"),
        ),
        migrations.AddIndex(
            model_name="indexprocedure",
            index=models.Index(
                condition=models.Q(("withdrawn_at__isnull", True), ("staging", "repair_first")),
                fields=["unit", "ligament_planned_on"],
                name="procedure_staged",
            ),
        ),
        migrations.AddIndex(
            model_name="patientreport",
            index=models.Index(
                condition=models.Q(
                    ("withdrawn_at__isnull", True), models.Q(("operated_again", "no"), _negated=True)
                ),
                fields=["-answered_on", "-id"],
                name="report_operated_again",
            ),
        ),
        migrations.AddIndex(
            model_name="scoreresponse",
            index=models.Index(
                condition=models.Q(("withdrawn_at__isnull", True), ("reoperated_since", "yes")),
                fields=["-answered_on", "-id"],
                name="score_operated_again",
            ),
        ),
    ]

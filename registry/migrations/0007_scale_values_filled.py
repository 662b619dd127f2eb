"""The total is one of the scales now."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("registry", "0006_scale_values")]
    operations = [migrations.RemoveField(model_name="scoreresponse", name="value")]

"""The new columns are filled: keys are unique, and the old list of accompanying patterns goes."""

import uuid

from django.db import migrations, models
from django.utils import timezone

ENTRIES = ('complication', 'contact', 'endoffollowup', 'imaging', 'reoperation', 'scoreresponse', 'secondlook', 'visit')


class Migration(migrations.Migration):
    dependencies = [("registry", "0003_fill")]
    operations = [
        *(
            migrations.AlterField(
                model_name=name,
                name="uuid",
                field=models.UUIDField(default=uuid.uuid4, editable=False, unique=True),
            )
            for name in ENTRIES
        ),
        migrations.AlterField(
            model_name="repair",
            name="recorded_at",
            field=models.DateTimeField(default=timezone.now, editable=False),
        ),
        migrations.RemoveConstraint(model_name="tear", name="tear_accompanying_pattern_code"),
        migrations.RemoveField(model_name="tear", name="accompanying_pattern"),
    ]

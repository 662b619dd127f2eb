"""What older rows owe the new columns: a key of their own, and what accompanied the main pattern of a tear."""

import uuid

from django.db import migrations
from django.db.models import OuterRef, Subquery

ENTRIES = ('complication', 'contact', 'endoffollowup', 'imaging', 'reoperation', 'scoreresponse', 'secondlook', 'visit')
ACCOMPANYING = ("delamination", "longitudinal", "horizontal", "radial", "flap")
AT_ONCE = 2000


def fill(apps, schema_editor):
    database = schema_editor.connection.alias
    for name in ENTRIES:
        model = apps.get_model("registry", name)
        rows = []
        for row in model.objects.using(database).only("pk").iterator(AT_ONCE):
            row.uuid = uuid.uuid4()
            rows.append(row)
        model.objects.using(database).bulk_update(rows, ["uuid"], batch_size=AT_ONCE)
    tears = apps.get_model("registry", "Tear").objects.using(database)
    operation = apps.get_model("registry", "IndexProcedure").objects.using(database)
    recorded_at = operation.filter(tears__repair=OuterRef("pk")).values("recorded_at")[:1]
    apps.get_model("registry", "Repair").objects.using(database).update(recorded_at=Subquery(recorded_at))
    for code in ACCOMPANYING:
        tears.filter(accompanying_pattern=code).update(**{f"with_{code}": True})


class Migration(migrations.Migration):
    dependencies = [("registry", "0002_keeping")]
    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]

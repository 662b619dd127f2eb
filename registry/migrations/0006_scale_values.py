"""What each answered form was worth, scale by scale; and drafts of forms under the address of their own form."""

import re

from django.db import migrations

from registry.scoring import INSTRUMENTS

AT_ONCE = 2000
# Once the page of every form that was corrected, and of Lysholm that was entered.
ANY_FORM = re.compile(r"/score/(?:([0-9a-f-]{36})/)?$")


def fill(apps, schema_editor):
    responses = apps.get_model("registry", "ScoreResponse")._base_manager.using(schema_editor.connection.alias)
    rows = []
    for row in responses.only("instrument", "instrument_version", "items").iterator(AT_ONCE):
        row.scale_values = INSTRUMENTS[row.instrument].values(row.items, row.instrument_version or None)
        rows.append(row)
    responses.bulk_update(rows, ["scale_values"], batch_size=AT_ONCE)


def move_drafts(apps, schema_editor):
    database = schema_editor.connection.alias
    responses = apps.get_model("registry", "ScoreResponse")._base_manager.using(database)
    drafts = apps.get_model("registry", "Draft").objects.using(database).filter(page__contains="/score/")
    for pk, page in list(drafts.values_list("pk", "page")):
        if found := ANY_FORM.search(page):
            response = responses.filter(uuid=found[1]).first() if found[1] else None
            instrument = response.instrument if response else "lysholm"
            drafts.filter(pk=pk).update(page=page.replace("/score/", f"/score-{instrument}/"))


class Migration(migrations.Migration):
    dependencies = [("registry", "0005_follow_up")]
    operations = [
        migrations.RunPython(fill, migrations.RunPython.noop),
        migrations.RunPython(move_drafts, migrations.RunPython.noop),
    ]

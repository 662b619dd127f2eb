from django.db import migrations


class Migration(migrations.Migration):

    dependencies = [
        ('outcomes', '0004_carried_over'),
    ]

    operations = [
        migrations.RemoveField(
            model_name='namedcohort',
            name='definition',
        ),
        migrations.RemoveField(
            model_name='namedcohort',
            name='query',
        ),
        migrations.DeleteModel(
            name='ReleaseEntry',
        ),
    ]

"""The database guards the books: see inventory/triggers.py for what is promised."""

from django.db import migrations

from inventory import triggers


def install(apps, schema_editor):
    triggers.install(schema_editor.connection)


def remove(apps, schema_editor):
    triggers.remove(schema_editor.connection)


class Migration(migrations.Migration):
    dependencies = [("inventory", "0002_where_and_who")]

    operations = [migrations.RunPython(install, remove)]

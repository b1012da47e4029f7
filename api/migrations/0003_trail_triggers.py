"""The database guards the audit trail: see api/triggers.py for what is promised."""

from django.db import migrations

from api import triggers


def install(apps, schema_editor):
    triggers.install(schema_editor.connection)


def remove(apps, schema_editor):
    triggers.remove(schema_editor.connection)


class Migration(migrations.Migration):
    dependencies = [("api", "0002_audit_trail")]

    operations = [migrations.RunPython(install, remove)]

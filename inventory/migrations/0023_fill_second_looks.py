"""Second looks that were made before say, too, which inspection they count instead of."""

from typing import Any

from django.db import migrations


def fill_second_looks(apps: Any, schema_editor: Any) -> None:
    rows = apps.get_model("inventory", "Inspection").objects
    inspections = rows.using(schema_editor.connection.alias)
    for first in inspections.filter(looked_again__isnull=False).iterator():
        inspections.filter(pk=first.looked_again_id).update(replaces=first.pk)


class Migration(migrations.Migration):
    dependencies = [("inventory", "0022_second_looks_replace")]

    operations = [migrations.RunPython(fill_second_looks, migrations.RunPython.noop)]

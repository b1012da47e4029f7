from itertools import groupby

from django.db import migrations
from django.utils import timezone


def clear_doubled_positions(apps, schema_editor):
    """Of bins at one position the first by code keeps it; the others have none, and their history says why."""
    place_model = apps.get_model("inventory", "Place")
    events = apps.get_model("inventory", "PlaceEvent")
    placed = (
        place_model.objects.using(schema_editor.connection.alias)
        .filter(kind="bin", retired_at=None, row__isnull=False, column__isnull=False)
        .exclude(cabinet="")
        .order_by("site_id", "cabinet", "row", "column", "code")
    )
    now = timezone.now()
    for _, together in groupby(placed, lambda place: (place.site_id, place.cabinet, place.row, place.column)):
        first, *others = together
        for place in others:
            was = f"cabinet {place.cabinet}, row {place.row}, column {place.column}"
            place.cabinet, place.row, place.column = "", None, None
            place.version += 1
            place.save(update_fields=["cabinet", "row", "column", "version"])
            events.objects.using(schema_editor.connection.alias).create(
                place=place,
                act="relocate",
                at=now,
                by="Coldgap",
                text=f"From {was} to no place in a cabinet: {first.code} is there too",
                other=first,
            )


class Migration(migrations.Migration):

    dependencies = [
        ("inventory", "0018_inspections_that_wait"),
    ]

    operations = [
        # Nothing to undo: bins without a position are well formed before it too.
        migrations.RunPython(clear_doubled_positions, migrations.RunPython.noop),
    ]

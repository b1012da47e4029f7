# The order by a hold's id instead of by the hold, which joined it; nothing in the database changes.

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0023_fill_second_looks"),
    ]

    operations = [
        migrations.AlterModelOptions(
            name="holdline",
            options={"ordering": ["hold_id", "position"]},
        ),
    ]

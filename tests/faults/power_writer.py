"""COUNT acts on the shop that tests/faults/acts.py founded: python -m tests.faults.power_writer COUNT SYNC

Says "ACK n" when act n has been committed, as the service would answer a request. SYNC is SQLite's setting;
the service ships FULL and refuses others, so it is changed here for the controls.
"""

import os
import sys

import django
from django.conf import settings

if __name__ == "__main__":
    count, sync = int(sys.argv[1]), sys.argv[2]
    options = settings.DATABASES["default"]["OPTIONS"]
    options["init_command"] = options["init_command"].replace("synchronous=FULL", f"synchronous={sync}")
    django.setup()

    from django.db import connection

    from inventory.services.floor import move_shims
    from inventory.services.holds import hold_shims, release_hold
    from tests.faults.acts import Shop

    shop = Shop()
    for number in range(1, count + 1):
        source, target = (0, 1) if number % 2 else (1, 0)
        shims = shop.shims(0, 2, place=shop.bins[target])
        if number % 4:
            move_shims(**shop.here, source=shop.bins[source], shims=[shims], note=f"ack {number}")
        else:
            move_shims(**shop.here, source=shop.bins[source], shims=[shims], note=f"ack {number}")
            release_hold(hold=hold_shims(**shop.here, lines=[shop.wanted(2)], reference="Order 1"), **shop.by)
        os.write(1, b"ACK %d\n" % number)
        if number == count // 2:
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    # The power goes: nothing is closed.
    os._exit(0)

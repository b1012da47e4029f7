"""Opens what a power cut left: python -m tests.faults.power_auditor

For each line of its input, a database's path, one line of JSON: {"corrupt": what SQLite says or "", "audit":
the differences, "last": the last act that is there}.
"""

import json
import re
import sqlite3
import sys

import django

if __name__ == "__main__":
    django.setup()
    from django.db import DatabaseError, connection

    from inventory.models import Movement
    from inventory.selectors.audit import audit

    print(json.dumps("ready"), flush=True)
    for line in sys.stdin:
        answer = {"corrupt": "", "audit": [], "last": 0}
        connection.close()
        connection.settings_dict["NAME"] = line.strip()
        try:
            with connection.cursor() as cursor:
                found = cursor.execute("PRAGMA integrity_check").fetchone()[0]
            answer["corrupt"] = "" if found == "ok" else found
            if not answer["corrupt"]:
                answer["audit"] = audit()
                notes = Movement.objects.filter(note__startswith="ack ").values_list("note", flat=True)
                answer["last"] = max((int(re.sub(r"\D", "", note)) for note in notes), default=0)
        except (DatabaseError, sqlite3.Error) as error:
            # Django translates what a statement raises, and not what reading its rows does.
            answer["corrupt"] = str(error)
        print(json.dumps(answer), flush=True)

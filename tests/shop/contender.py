"""One of several processes that count in the same row: python -m tests.shop.contender ROUNDS THREADS [plain]

Each round reads the row and writes it back, one higher, in one transaction. Prints "errors N". With `plain`
it uses Django's own backend and default settings instead of the shop's.
"""

import sys
from threading import Thread

import django
from django.conf import settings

errors: list[Exception] = []


def count(rounds: int) -> None:
    # Models load only after django.setup() below.
    from django.db import connections, transaction  # noqa: PLC0415

    from shop.models import Bay  # noqa: PLC0415

    for _ in range(rounds):
        try:
            with transaction.atomic():
                bay = Bay.objects.get()
                bay.number += 1
                bay.save()
        except Exception as error:
            errors.append(error)
    connections.close_all()


def main() -> None:
    rounds, threads = int(sys.argv[1]), int(sys.argv[2])
    if "plain" in sys.argv[3:]:
        settings.DATABASES["default"] |= {"ENGINE": "django.db.backends.sqlite3", "OPTIONS": {"timeout": 5}}
    django.setup()
    crowd = [Thread(target=count, args=(rounds,)) for _ in range(threads)]
    for thread in crowd:
        thread.start()
    for thread in crowd:
        thread.join()
    print("errors", len(errors), {str(error) for error in errors})


if __name__ == "__main__":
    main()

"""F5: the database is away for a while, then the service's pool of connections is of use again at once."""

import threading
import time

import psycopg
import pytest
from django.conf import settings
from psycopg_pool import ConnectionPool, PoolTimeout

from tests.servers.postgres import PostgresServer

# A pool left to itself tries after 0, 1, 3, 7 and 15 seconds: it would sleep through seven seconds here.
AWAY_SECONDS = 8
BACK_WITHIN_SECONDS = 2
ASKING = 3


def connect_as_usual(url, pool_options):
    return ConnectionPool(url, check=ConnectionPool.check_connection, open=True, **pool_options)


def seconds_until_served(server, pool):
    """From when the database takes connections again to the first that the pool gives out, while some ask."""
    served, over = [], threading.Event()

    def ask():
        while not over.is_set():
            try:
                with pool.connection() as connection:
                    connection.execute("SELECT 1")
                served.append(time.monotonic())
            except (PoolTimeout, psycopg.OperationalError):
                pass
            time.sleep(0.05)

    threads = [threading.Thread(target=ask, daemon=True) for _ in range(ASKING)]
    for thread in threads:
        thread.start()
    time.sleep(0.5)
    assert served
    server.crash()
    time.sleep(AWAY_SECONDS)
    server.start()
    back = time.monotonic()
    while not any(moment > back for moment in list(served)) and time.monotonic() < back + 4 * AWAY_SECONDS:
        time.sleep(0.02)
    over.set()
    for thread in threads:
        thread.join()
    return min((moment for moment in served if moment > back), default=float("inf")) - back


@pytest.mark.postgresql
def test_who_asks_is_served_as_soon_as_it_is_back():
    server = PostgresServer()
    try:
        server.start()
        with connect_as_usual(server.url(), settings.POSTGRESQL_POOL | {"max_size": ASKING}) as pool:
            assert seconds_until_served(server, pool) < BACK_WITHIN_SECONDS
    finally:
        server.remove()

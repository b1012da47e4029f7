"""How many requests a key may make (bar A6): exact under concurrency, told in headers, failing open."""

import re
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest

from api import limits
from tests.api.program import Program, program

AT = datetime(2026, 3, 2, 8, 30, 20, tzinfo=UTC)


def left(response):
    return re.fullmatch(r'"default";r=([0-9]+);t=([0-9]+)', response["RateLimit"]).groups()


class TestOverTheApi:
    def test_headers_count_down_and_the_one_too_many_is_429(self, manager, site, time_machine):
        time_machine.move_to(AT, tick=False)
        key = program(manager, site, requests_per_minute=3)
        for expected in ("2", "1", "0"):
            response = key.get("/me")
            assert response.status_code == 200
            assert response["RateLimit-Policy"] == '"default";q=3;w=60'
            assert left(response) == (expected, "40")
        for _ in range(2):
            refused = key.get("/me")
            assert refused.status_code == 429
            assert refused.json()["type"] == "/api/problems/quota-exceeded"
            assert refused["Retry-After"] == "40"
            assert left(refused) == ("0", "40")
        time_machine.move_to(AT + timedelta(seconds=40), tick=False)
        assert left(key.get("/me")) == ("2", "60")

    def test_a_refusal_by_the_limit_is_not_kept(self, world, manager, site, time_machine):
        body = {"registration": "L 1", "description": "x", "engine_type": world.shop.engine.code}
        time_machine.move_to(AT, tick=False)
        key = program(manager, site, requests_per_minute=1)
        key.get("/me")
        assert key.post("/vehicles", body, key="k").status_code == 429
        time_machine.move_to(AT + timedelta(minutes=1), tick=False)
        assert key.post("/vehicles", body, key="k").status_code == 201

    def test_each_key_has_its_own(self, manager, site):
        one, other = (program(manager, site, requests_per_minute=1) for _ in range(2))
        assert [key.get("/me").status_code for key in (one, one, other)] == [200, 429, 200]

    def test_500_at_once_let_exactly_100_pass(self, manager, site, transactional_db, time_machine):
        """Bar A6 (the framework's own throttle let all 500 through: RELIABILITY.md, section 0)."""
        time_machine.move_to(AT, tick=False)
        with ThreadPoolExecutor(50) as pool:
            quotas = list(pool.map(lambda _: limits.use("key:1", 100, AT), range(500)))
        assert sum(quota.used <= quota.limit for quota in quotas) == 100
        assert all(
            quota.headers["RateLimit"] == '"default";r=0;t=40' for quota in quotas if quota.used >= 100
        )

    def test_guessing_keys_is_slowed_but_good_keys_are_served(self, manager, site, time_machine):
        time_machine.move_to(AT, tick=False)
        good, bad = program(manager, site), Program("cg_abcdefgh_wrong")
        statuses = [bad.get("/me").status_code for _ in range(limits.MOST_BAD_KEYS + 2)]
        assert statuses == [401] * limits.MOST_BAD_KEYS + [429] * 2
        assert good.get("/me").status_code == 200


@pytest.mark.redis
class TestWithRedis:
    def test_processes_share_one_count(self, valkey, settings):
        settings.REDIS_URL = valkey.url
        here = [limits.use("key:2", 100, AT).used for _ in range(3)]
        limits.here.clear()  # what another process does not know
        assert [*here, limits.use("key:2", 100, AT).used] == [1, 2, 3, 4]

    def test_500_at_once_let_exactly_100_pass(self, valkey, settings):
        settings.REDIS_URL = valkey.url
        with ThreadPoolExecutor(50) as pool:
            quotas = list(pool.map(lambda _: limits.use("key:3", 100, AT), range(500)))
        assert sorted(quota.used for quota in quotas) == list(range(1, 501))

    def test_counts_are_forgotten_by_themselves(self, valkey, settings):
        settings.REDIS_URL = valkey.url
        limits.use("key:4", 100, AT)
        client = limits._client(valkey.url)
        (name,) = client.keys("*key:4*")
        assert 0 < client.ttl(name) <= 120

    def test_with_redis_away_callers_are_served_and_counted_here(self, settings, caplog):
        settings.REDIS_URL = "redis://127.0.0.1:1/0"
        assert [limits.use("key:5", 2, AT).used for _ in range(3)] == [1, 2, 3]
        assert any("Redis is away" in str(record.msg) for record in caplog.records)

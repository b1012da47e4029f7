"""Guessing at passwords (bar S3): slowed down, atomically, and nobody is locked out from elsewhere."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier

import pytest
import time_machine
from django.contrib.auth.hashers import PBKDF2PasswordHasher
from django.db import connections
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shop import log_ins
from shop.log_ins import (
    FREE_FOR_A_NAME,
    FREE_FOR_A_NETWORK,
    TooManyAttempts,
    client_address,
    count_attempt,
    network_of,
    take_back_attempt,
)
from shop.models import LogInTrouble
from shop.passwords import Argon2PasswordHasher
from tests.ui.pages import text_of

PASSWORD = "thin leaf passes the gap"
SHOP, STRANGER = "203.0.113.7", "198.51.100.9"  # RFC 5737: addresses for documentation
pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def cheap_hashing(monkeypatch):
    """It is counted here who reaches the hasher. How strong it is: tests/shop/test_settings.py."""
    monkeypatch.setattr(Argon2PasswordHasher, "memory_cost", 64)


@pytest.fixture
def ines(technician):
    technician.set_password(PASSWORD)
    technician.save()
    return technician


def log_in(password, name="ines", address=SHOP, **more):
    keyed = {"username": name, "password": password}
    return Client().post(reverse("login"), keyed, REMOTE_ADDR=address, **more)


def fail(times, **more):
    return [log_in("thick leaf stops", **more).status_code for _ in range(times)]


@time_machine.travel("2026-03-02T08:30:00Z", tick=False)
def test_after_five_failures_one_waits_and_is_told_how_long(ines):
    assert fail(FREE_FOR_A_NAME) == [200] * FREE_FOR_A_NAME
    response = log_in(PASSWORD)
    assert response.status_code == 429
    assert response["Retry-After"] == "1"
    assert "Too many attempts from here did not succeed. Wait 1 second, then try again." in text_of(response)
    assert PASSWORD not in response.content.decode()


def test_the_wait_grows_to_a_quarter_of_an_hour_and_ends(ines):
    waits = []
    with time_machine.travel("2026-03-02T08:30:00Z", tick=False) as clock:
        fail(FREE_FOR_A_NAME)
        for _ in range(12):
            refused = log_in("thick leaf stops")
            waits.append(int(refused["Retry-After"]))
            clock.shift(timedelta(seconds=waits[-1]))
            assert fail(1) == [200]
        assert waits[:10] == [1, 2, 4, 8, 16, 32, 64, 128, 256, 512]
        assert waits[10:] == [900, 900]
        clock.shift(timedelta(seconds=900))
        assert log_in(PASSWORD).status_code == 302
        assert fail(FREE_FOR_A_NAME) == [200] * FREE_FOR_A_NAME


def test_a_strangers_failures_do_not_stop_the_person_in_the_bay(ines):
    fail(60, address=STRANGER)
    assert log_in(PASSWORD, address=STRANGER).status_code == 429
    assert log_in(PASSWORD, address=SHOP).status_code == 302


def test_a_network_that_tries_many_names_waits_too(ines):
    codes = [log_in("x", name=f"person {n}", address=STRANGER).status_code for n in range(30)]
    assert codes == [200] * FREE_FOR_A_NETWORK + [429] * (30 - FREE_FOR_A_NETWORK)


def test_who_gets_in_leaves_no_trace_and_a_failure_is_forgotten_in_time(ines):
    for _ in range(3 * FREE_FOR_A_NETWORK):
        assert log_in(PASSWORD).status_code == 302
    fail(FREE_FOR_A_NAME - 1)
    with time_machine.travel(timezone.now() + log_ins.FORGOTTEN_AFTER + timedelta(seconds=1)):
        assert fail(FREE_FOR_A_NAME) == [200] * FREE_FOR_A_NAME


def test_a_name_is_one_however_it_is_written(ines):
    fail(2, name="INES"), fail(3, name="ınes".replace("ı", "i"))
    assert log_in(PASSWORD).status_code == 429


def test_no_name_and_no_address_is_kept(ines):
    fail(1, name="my password by mistake")
    kept = " ".join(str(value) for row in LogInTrouble.objects.values_list() for value in row)
    assert "mistake" not in kept
    assert SHOP not in kept


class TestWhereARequestComesFrom:
    FORWARDED = {"REMOTE_ADDR": "10.0.0.2", "HTTP_X_FORWARDED_FOR": "192.0.2.1, 203.0.113.7"}

    @pytest.mark.parametrize(
        ("proxies", "found"), [(0, "10.0.0.2"), (1, "203.0.113.7"), (2, "192.0.2.1"), (3, "10.0.0.2")]
    )
    def test_only_what_our_own_proxies_wrote_is_believed(self, settings, proxies, found):
        settings.COLDGAP = settings.COLDGAP | {"TRUSTED_PROXIES": proxies}
        assert client_address(self.FORWARDED) == found

    def test_inventing_addresses_does_not_help_a_guesser(self, ines):
        for number in range(FREE_FOR_A_NAME):
            fail(1, HTTP_X_FORWARDED_FOR=f"192.0.2.{number}")
        assert log_in(PASSWORD, HTTP_X_FORWARDED_FOR="192.0.2.200").status_code == 429

    def test_a_network_is_what_one_customer_has(self):
        assert network_of("2001:db8:1:2:3::1") == network_of("2001:db8:1:2:ffff::9") == "2001:db8:1:2::/64"
        assert network_of("::ffff:203.0.113.7") == network_of("203.0.113.7") == "203.0.113.7"
        assert network_of("") == network_of("unix:") == ""


@pytest.mark.django_db(transaction=True)
def test_of_two_hundred_guesses_at_once_ten_at_most_reach_the_hasher(ines, monkeypatch, settings, request):
    """At one moment of the clock: what a delay would let through later does not blur the count."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.PBKDF2PasswordHasher"]
    monkeypatch.setattr(PBKDF2PasswordHasher, "iterations", 1)
    ines.set_password(PASSWORD)
    ines.save()
    looked_at = []
    plain = PBKDF2PasswordHasher.verify
    monkeypatch.setattr(PBKDF2PasswordHasher, "verify", lambda *words: looked_at.append(1) or plain(*words))
    barrier = Barrier(20)

    def guess(number):
        try:
            barrier.wait()
            return [log_in(f"guess {number} {turn}", address=STRANGER).status_code for turn in range(10)]
        finally:
            connections.close_all()

    with time_machine.travel("2026-03-02T08:30:00Z", tick=False), ThreadPoolExecutor(20) as pool:
        codes = [code for answers in pool.map(guess, range(20)) for code in answers]
    assert len(looked_at) == FREE_FOR_A_NAME <= 10
    assert codes.count(200) == FREE_FOR_A_NAME
    assert codes.count(429) == 200 - FREE_FOR_A_NAME


@pytest.mark.django_db(transaction=True)
def test_without_counting_first_they_would_all_get_through(ines):
    """The service alone: counted one by one, and each that is counted is one that may look."""
    at = timezone.now()
    for _ in range(FREE_FOR_A_NAME):
        count_attempt(name="ines", address=SHOP, at=at)
    with pytest.raises(TooManyAttempts):
        count_attempt(name="ines", address=SHOP, at=at)
    take_back_attempt(name="ines", address=SHOP)
    count_attempt(name="ines", address=SHOP, at=at)

"""Who may be told, by whom, and with which secret: registering, rotating, disabling, enabling."""

import socket
from datetime import timedelta

import pytest

from shop import sealing
from shop.actor import Actor, service_actor
from shop.errors import Conflict, Forbidden, Invalid, NotFound, WrongState
from shop.models import WebhookEndpoint, WebhookSecret
from shop.roles import SCOPES
from shop.webhooks import endpoints
from shop.webhooks.deliveries import hand_on
from shop.webhooks.endpoints import (
    add_endpoint,
    disable_endpoint,
    enable_endpoint,
    rotate_secret,
    secrets_in_force,
    tend_secrets,
)
from shop.webhooks.signing import key_of
from shop.webhooks.targets import TargetRefused, check_target
from tests.shop.hooks import (
    AT,
    actor,
    clock,
    deliveries,
    delivery,
    happen,
    loopback,
    receiver,
    registered,
    settle,
)

pytestmark = pytest.mark.django_db
__all__ = ["clock", "loopback", "receiver"]
HOUR = timedelta(hours=1)
HOSTILE = [
    "https://127.0.0.1/",
    "https://2130706433/",
    "https://0x7f.1/",
    "https://localhost/",
    "https://10.0.0.5/",
    "https://172.16.0.1/",
    "https://192.168.1.1/",
    "https://169.254.169.254/latest/meta-data",
    "https://100.64.0.1/",
    "https://0.0.0.0/",
    "https://224.0.0.1/",
    "https://240.0.0.1/",
    "https://255.255.255.255/",
    "https://192.0.2.7/",
    "https://198.18.0.1/",
    "https://[::1]/",
    "https://[::]/",
    "https://[::ffff:127.0.0.1]/",
    "https://[::ffff:a9fe:a9fe]/",
    "https://[64:ff9b::7f00:1]/",
    "https://[2002:7f00:1::]/",
    "https://[2001:db8::1]/",
    "https://[fc00::1]/",
    "https://[fd00:ec2::254]/",
    "https://[fe80::1]/",
    "https://[ff02::1]/",
    "https://somebody@127.0.0.1/",
    "http://rebound.example/",
    "https://rebound.example/",
]


def rotate(endpoint, at=AT, **options):
    return rotate_secret(endpoint=endpoint, actor=service_actor(), at=at, **options)[1]


class TestRegister:
    def test_gives_the_secret_once_and_keeps_it_sealed(self, site, receiver, manager):
        endpoint, secret = registered(site, receiver, kinds=["stock.low"], actor=actor(manager))
        assert len(key_of(secret)) == 32
        row = WebhookSecret.objects.get(endpoint=endpoint)
        for kept in (bytes(row.sealed), str(vars(endpoint)).encode()):
            assert secret.encode() not in kept
            assert secret.removeprefix("whsec_").encode() not in kept
            assert key_of(secret) not in kept
        assert secrets_in_force(endpoint, AT) == [secret]
        assert (endpoint.kinds, endpoint.created_by) == (["stock.low"], "Mara Quist")

    def test_is_the_managers(self, site, receiver, technician, counter, outsider):
        for person in (technician, counter):
            with pytest.raises(Forbidden):
                registered(site, receiver, actor=actor(person))
        with pytest.raises(NotFound):
            registered(site, receiver, actor=actor(outsider))

    def test_takes_a_key_with_the_scope(self, site, receiver, manager):
        roles = actor(manager).roles
        narrow = frozenset(SCOPES) - {"admin"}
        with pytest.raises(Forbidden):
            registered(site, receiver, actor=Actor(user=manager, roles=roles, scopes=narrow))
        registered(site, receiver, actor=Actor(user=manager, roles=roles, scopes=frozenset({"admin"})))

    @pytest.mark.parametrize("kinds", [[], ["stock.high"], ["stock.low", "effect"], ["*"]])
    def test_takes_kinds_from_the_list(self, site, receiver, kinds):
        with pytest.raises(Invalid) as refused:
            registered(site, receiver, kinds=kinds)
        assert refused.value.errors[0].pointer == "/events"

    def test_takes_a_note_that_there_is_room_for(self, site, receiver):
        target = check_target(receiver.url)
        act = {"site": site, "actor": service_actor(), "at": AT, "target": target, "kinds": ["stock.low"]}
        with pytest.raises(Invalid):
            add_endpoint(**act, note="n" * 201)
        assert add_endpoint(**act, note="n" * 200)[0].note == "n" * 200

    def test_is_bounded_per_site(self, site, other_site, receiver, monkeypatch):
        monkeypatch.setattr(endpoints, "MOST_ENDPOINTS", 2)
        first, _ = registered(site, receiver)
        registered(site, receiver)
        with pytest.raises(Conflict):
            registered(site, receiver)
        registered(other_site, receiver)
        disable_endpoint(endpoint=first, actor=service_actor(), at=AT)
        registered(site, receiver)


class TestHostileHosts:
    @pytest.fixture(autouse=True)
    def no_way_out(self, monkeypatch):
        """A socket that connects fails the test; a name's second look-up means this machine."""
        real = socket.getaddrinfo

        def getaddrinfo(host, *args, **options):
            return real("127.0.0.1" if host == "rebound.example" else host, *args, **options)

        def connect(self, address):
            raise AssertionError(f"a connection to {address} was begun")

        monkeypatch.setattr(socket, "getaddrinfo", getaddrinfo)
        monkeypatch.setattr(socket.socket, "connect", connect)

    @pytest.mark.parametrize("url", HOSTILE)
    def test_are_refused_when_saved(self, url):
        with pytest.raises(TargetRefused):
            check_target(url)

    def test_are_refused_again_when_sent_to(self, site, clock):
        """As if each had been saved while its name still meant a public address."""
        for url in HOSTILE:
            endpoint = WebhookEndpoint.objects.create(
                site=site, url=url, kinds=["job.signed_off"], created_at=AT, created_by="Mara Quist"
            )
            WebhookSecret.objects.create(
                endpoint=endpoint,
                sealed=sealing.seal(b"whsec_" + b"A" * 44, purpose="webhook secrets"),
                created_at=AT,
            )
        happen(site)
        settle()
        rows = deliveries()
        assert len(rows) == len(HOSTILE) >= 25
        for row in rows:
            assert (row.state, row.attempts, row.last_status) == ("waiting", 1, None)
            assert row.last_error.startswith("its address "), row.last_error


class TestRotate:
    def test_loses_nothing_whenever_the_receiver_changes_over(self, site, receiver, clock, size):
        """One event a minute for three hours, a rotation in the middle of it with an hour's overlap, and
        receivers that change over at any minute of that hour: each takes every message. By default an event
        every three minutes.
        """
        endpoint, old = registered(site, receiver)
        new, minutes = None, range(0, 180, size(3, 1))
        for minute in minutes:
            now = AT + timedelta(minutes=minute)
            clock.move_to(now)
            if minute == 60:
                new = rotate(endpoint, now, overlap=HOUR)
            happen(site, at=now)
            settle()
        assert len(receiver.got) == len(minutes)
        got_at = dict(zip(minutes, receiver.got, strict=True))
        for change_over in range(60, 121):
            refused = [
                minute
                for minute, got in got_at.items()
                if not got.signed_by(old if minute < change_over else new)
            ]
            assert refused == []
        for minute, got in got_at.items():
            signatures = got.headers["webhook-signature"].split(" ")
            assert len(signatures) == (2 if 60 <= minute < 120 else 1), minute
            # Once the overlap is over the old secret is good for nothing.
            assert minute < 120 or not got.signed_by(old), minute

    def test_without_overlap_ends_the_old_secret_at_once(self, site, receiver, clock):
        endpoint, old = registered(site, receiver)
        new = rotate(endpoint, overlap=timedelta(0))
        happen(site)
        settle()
        assert receiver.got[0].signed_by(new)
        assert not receiver.got[0].signed_by(old)

    def test_takes_an_overlap_within_bounds(self, site, receiver):
        endpoint, _ = registered(site, receiver)
        for overlap in (timedelta(seconds=-1), timedelta(days=7, seconds=1)):
            with pytest.raises(Invalid):
                rotate(endpoint, overlap=overlap)
        rotate(endpoint, overlap=timedelta(days=7))

    def test_is_bounded(self, site, receiver):
        endpoint, _ = registered(site, receiver)
        for _ in range(endpoints.MOST_SECRETS - 1):
            rotate(endpoint)
        with pytest.raises(Conflict):
            rotate(endpoint)
        rotate(endpoint, AT + timedelta(hours=25))

    def test_is_the_managers(self, site, receiver, technician, outsider):
        endpoint, _ = registered(site, receiver)
        with pytest.raises(Forbidden):
            rotate_secret(endpoint=endpoint, actor=actor(technician), at=AT)
        with pytest.raises(NotFound):
            rotate_secret(endpoint=endpoint, actor=actor(outsider), at=AT)


class TestDisable:
    def test_gives_up_what_waits_and_tells_no_more(self, site, receiver, clock, manager):
        endpoint, _ = registered(site, receiver)
        receiver.status = 500
        happen(site)
        settle()
        endpoint = disable_endpoint(endpoint=endpoint, actor=actor(manager), at=AT, note="moved house")
        assert (endpoint.disabled_at, endpoint.disabled_because) == (AT, "moved house")
        assert (delivery().state, delivery().last_error) == ("dead", "the webhook was disabled")
        with pytest.raises(WrongState):
            disable_endpoint(endpoint=endpoint, actor=actor(manager), at=AT)

    def test_reaches_an_event_that_is_just_being_handed_on(self, site, receiver, clock):
        """Its delivery is made a moment after the endpoint was disabled."""
        endpoint, _ = registered(site, receiver)
        event = happen(site)
        endpoints.bury_waiting(endpoint, at=AT)
        hand_on(event, at=AT)
        WebhookEndpoint.objects.update(disabled_at=AT)
        settle()
        assert delivery().state == "dead"
        assert receiver.got == []

    def test_can_be_undone(self, site, receiver, clock, manager, counter):
        endpoint, _ = registered(site, receiver)
        with pytest.raises(WrongState):
            enable_endpoint(endpoint=endpoint, actor=actor(manager), at=AT)
        disable_endpoint(endpoint=endpoint, actor=actor(manager), at=AT)
        with pytest.raises(Forbidden):
            enable_endpoint(endpoint=endpoint, actor=actor(counter), at=AT)
        endpoint = enable_endpoint(endpoint=endpoint, actor=actor(manager), at=AT)
        assert (endpoint.disabled_at, endpoint.disabled_because) == (None, "")
        happen(site)
        settle()
        assert len(receiver.got) == 1


class TestSecretKeys:
    """Bar S10: the service's own secret key is replaced, and webhooks go on being signed."""

    @pytest.fixture
    def told(self, site, receiver, clock):
        _, secret = registered(site, receiver)

        def tell():
            happen(site)
            settle()
            return receiver.got[-1].signed_by(secret) if receiver.got else None

        return tell

    def test_an_old_key_among_the_fallbacks_still_opens(self, told, settings):
        settings.SECRET_KEY_FALLBACKS = [settings.SECRET_KEY]
        settings.SECRET_KEY = "another" * 10
        assert told() is True

    def test_what_was_tended_opens_without_the_old_key(self, told, settings):
        settings.SECRET_KEY_FALLBACKS = [settings.SECRET_KEY]
        settings.SECRET_KEY = "another" * 10
        assert tend_secrets(at=AT) == (0, 1)
        assert tend_secrets(at=AT) == (0, 0)
        settings.SECRET_KEY_FALLBACKS = []
        assert told() is True

    def test_without_the_old_key_nothing_is_sent_unsigned(self, told, settings):
        settings.SECRET_KEY = "another" * 10
        assert told() is None
        assert "rotate it" in delivery().last_error

    def test_ended_secrets_are_forgotten(self, site, receiver):
        endpoint, _ = registered(site, receiver)
        rotate(endpoint, overlap=HOUR)
        assert tend_secrets(at=AT + HOUR) == (1, 0)
        assert WebhookSecret.objects.count() == 1


def test_a_seal_is_good_for_its_own_purpose_only():
    sealed = sealing.seal(b"word", purpose="one")
    assert sealing.unseal(sealed, purpose="one") == b"word"
    other = b"B" if sealed[40:41] == b"A" else b"A"
    for broken in (sealed[:-1] + b"A", sealed[:40] + other + sealed[41:], b"", b"word"):
        with pytest.raises(sealing.UnreadableSeal):
            sealing.unseal(broken, purpose="one")
    with pytest.raises(sealing.UnreadableSeal):
        sealing.unseal(sealed, purpose="another")

"""One request of a webhook, over real sockets on 127.0.0.1: what counts as taken, and what is never done."""

import contextlib
import datetime as dt
import socket
import ssl
import threading
import time

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from shop.webhooks import sending
from shop.webhooks.sending import Outcome, post
from shop.webhooks.targets import Target
from tests.servers.children import free_port
from tests.shop.receiver import receiving

HOST = "hooks.example"


def target(port, *addresses, scheme="http", host="127.0.0.1"):
    return Target(
        url="unused",
        scheme=scheme,
        host=host,
        port=port,
        path="/coldgap?tenant=7",
        addresses=addresses or ("127.0.0.1",),
    )


@contextlib.contextmanager
def speaking(behave):
    """A port that does whatever `behave(connection)` does with each connection, one after another."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve():
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with connection, contextlib.suppress(OSError):
                behave(connection)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    yield listener.getsockname()[1]
    listener.shutdown(socket.SHUT_RDWR)
    listener.close()
    thread.join(5)


def hear_out(line):
    """To the end of the body: a line closed over unread bytes is reset, and takes the answer along."""
    asked = b""
    while not asked.endswith(b"\r\n\r\n{}") and (more := line.recv(65_536)):
        asked += more


def test_what_is_sent_arrives_to_the_byte():
    body = '{"because":"2.650 mm für 1-IN"}\n'.encode()
    with receiving() as receiver:
        assert post(target(receiver.port), body, {"webhook-id": "m-1"}) == Outcome(status=204)
    (got,) = receiver.got
    assert (got.body, got.path) == (body, "/coldgap?tenant=7")
    assert got.headers["webhook-id"] == "m-1"
    assert got.headers["content-type"] == "application/json"
    assert got.headers["host"] == f"127.0.0.1:{receiver.port}"
    assert got.headers["user-agent"] == "Coldgap"
    assert "authorization" not in got.headers
    assert "cookie" not in got.headers


@pytest.mark.parametrize("status", [200, 201, 202, 204, 299])
def test_a_2xx_is_taken(status):
    with receiving() as receiver:
        receiver.status = status
        outcome = post(target(receiver.port), b"{}", {})
    assert (outcome.status, outcome.taken) == (status, True)


@pytest.mark.parametrize("status", [300, 304, 400, 401, 404, 410, 429, 500, 502, 503, 504])
def test_nothing_else_is(status):
    with receiving() as receiver:
        receiver.status = status
        outcome = post(target(receiver.port), b"{}", {})
    assert (outcome.status, outcome.taken) == (status, False)
    assert str(status) in outcome.error


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_a_redirect_is_not_followed(status):
    with receiving() as other, receiving() as receiver:
        receiver.status = status
        receiver.headers["Location"] = other.url
        outcome = post(target(receiver.port), b"{}", {})
    assert (outcome.status, outcome.taken) == (status, False)
    assert "not followed" in outcome.error
    assert len(receiver.got) == 1
    assert other.got == []


@pytest.mark.parametrize(
    ("header", "seconds"),
    [("120", 120), ("0", 0), ("999999999999", 86_400), ("-1", 0), ("Wed, 21 Oct 2026 07:28:00 GMT", 0)],
)
def test_a_receiver_may_ask_to_be_left_alone(header, seconds):
    with receiving() as receiver:
        receiver.status = 503
        receiver.headers["Retry-After"] = header
        assert post(target(receiver.port), b"{}", {}).retry_after == seconds


def test_nobody_there():
    assert post(target(free_port()), b"{}", {}) == Outcome(error="it refused the connection")


def test_the_next_address_is_tried_where_one_is_down():
    with receiving() as receiver:
        # 127.0.0.2 is this machine too, and nobody listens there.
        assert post(target(receiver.port, "127.0.0.2", "127.0.0.1"), b"{}", {}).taken
    assert len(receiver.got) == 1


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"ready\r\n",
        b"HTTP/1.1 two hundred\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nX: " + b"a" * 70_000,
        b"HTTP/1.1 200 OK\r\n" + b"X: y\r\n" * 200 + b"\r\n",
    ],
)
def test_what_does_not_speak_http_has_not_taken_it(answer):
    def behave(connection):
        hear_out(connection)
        connection.sendall(answer)

    with speaking(behave) as port:
        outcome = post(target(port), b"{}", {})
    assert not outcome.taken
    assert outcome.status is None


def test_the_answers_body_is_not_read():
    """A receiver that sends without end costs nothing: its status is all that is looked at."""

    def behave(connection):
        hear_out(connection)
        connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 1000000000\r\n\r\n")
        while True:
            connection.sendall(b"x" * 65_536)

    with speaking(behave) as port:
        begun = time.monotonic()
        assert post(target(port), b"{}", {}).taken
    assert time.monotonic() - begun < 5


@pytest.mark.parametrize("drip", [b"", b"H", b"HTTP/1.1 200 OK\r\nX: "])
def test_a_receiver_that_drips_is_hung_up_on(monkeypatch, drip):
    """One byte every so often keeps within every time-out that a socket has; the whole has one too."""
    monkeypatch.setattr(sending, "ANSWER_SECONDS", 1.0)
    over = threading.Event()

    def behave(connection):
        hear_out(connection)
        connection.sendall(drip)
        while not over.wait(0.2):
            if drip:
                connection.sendall(b"a")

    with speaking(behave) as port:
        begun = time.monotonic()
        outcome = post(target(port), b"{}", {})
        assert time.monotonic() - begun < 4
        over.set()
    assert outcome.error in ("it did not answer within 1 s", "it did not answer in time")


@pytest.fixture
def authority(tmp_path):
    """(certificate file, key file) of HOST, signed by itself."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, HOST)])
    now = dt.datetime.now(dt.UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(HOST)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    files = tmp_path / "certificate.pem", tmp_path / "key.pem"
    files[0].write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    files[1].write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return files


class TestTls:
    @pytest.fixture
    def port(self, authority):
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*authority)
        self.asked_for = []
        context.sni_callback = lambda _socket, name, _context: self.asked_for.append(name)

        def behave(connection):
            with context.wrap_socket(connection, server_side=True) as line:
                hear_out(line)
                line.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n")

        with speaking(behave) as port:
            yield port

    def test_the_certificate_is_the_names_whatever_the_address(self, port, authority, monkeypatch):
        monkeypatch.setenv("SSL_CERT_FILE", str(authority[0]))
        assert post(target(port, scheme="https", host=HOST), b"{}", {}).taken
        assert self.asked_for == [HOST]

    def test_another_names_certificate_is_not_good(self, port, authority, monkeypatch):
        monkeypatch.setenv("SSL_CERT_FILE", str(authority[0]))
        outcome = post(target(port, scheme="https", host="other.example"), b"{}", {})
        assert outcome == Outcome(error="its certificate is not good for this name")

    def test_a_certificate_that_nobody_vouches_for_is_not_good(self, port):
        outcome = post(target(port, scheme="https", host=HOST), b"{}", {})
        assert outcome == Outcome(error="its certificate is not good for this name")

    def test_plain_http_where_tls_is_asked_for(self):
        with receiving() as receiver:
            outcome = post(target(receiver.port, scheme="https", host=HOST), b"{}", {})
        assert outcome.error == "it does not speak TLS as it should"
        assert receiver.got == []


def test_proxies_of_the_environment_are_passed_by(monkeypatch):
    for name in ("HTTP_PROXY", "http_proxy", "ALL_PROXY", "all_proxy"):
        monkeypatch.setenv(name, f"http://127.0.0.1:{free_port()}")
    with receiving() as receiver:
        assert post(target(receiver.port), b"{}", {}).taken

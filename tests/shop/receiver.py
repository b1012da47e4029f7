"""A receiver of webhooks on 127.0.0.1: keeps what it gets, answers what it is told to, verifies as the
specification says (Standard Webhooks 1.0.0, "Verifying signatures")."""

import base64
import contextlib
import hashlib
import hmac
import json
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


def verify(secret: str, headers: Mapping[str, str], body: bytes, *, now: int) -> bool:
    """Whether one of the signatures is the secret's and the attempt is at most five minutes off."""
    if abs(now - int(headers["webhook-timestamp"])) > 300:
        return False
    signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    key = base64.b64decode(secret.removeprefix("whsec_"))
    wanted = base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
    signatures = [part.partition(",") for part in headers["webhook-signature"].split(" ")]
    return any(mark == "v1" and hmac.compare_digest(value, wanted) for mark, _, value in signatures)


@dataclass
class Got:
    """One request as it came."""

    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def id(self) -> str:
        return self.headers["webhook-id"]

    @property
    def message(self) -> dict:
        return json.loads(self.body)

    def signed_by(self, secret: str) -> bool:
        return verify(secret, self.headers, self.body, now=int(self.headers["webhook-timestamp"]))


@dataclass
class Receiver:
    """`answers`: statuses for the next requests, then `status`; `headers` go with each answer."""

    port: int = 0
    status: int = 204
    answers: list[int] = field(default_factory=list)
    headers: dict[str, str] = field(default_factory=dict)
    got: list[Got] = field(default_factory=list)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/coldgap?tenant=7"

    @property
    def ids(self) -> list[str]:
        return [got.id for got in self.got]


@contextlib.contextmanager
def receiving(port: int = 0, told: Receiver | None = None) -> Iterator[Receiver]:
    """Listen until the block ends. With a port and a receiver of before, it is up again."""
    receiver = told or Receiver()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self):  # the name that http.server looks for
            body = self.rfile.read(int(self.headers["Content-Length"]))
            headers = {name.lower(): value for name, value in self.headers.items()}
            receiver.got.append(Got(self.path, headers, body))
            self.send_response(receiver.answers.pop(0) if receiver.answers else receiver.status)
            for name, value in receiver.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *args):
            """Say nothing."""

    with ThreadingHTTPServer(("127.0.0.1", port), Handler) as server:
        receiver.port = server.server_port
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield receiver
        finally:
            server.shutdown()
            thread.join()

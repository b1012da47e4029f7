"""Child processes that never outlive the tests, and that tests can stop, freeze and kill."""

import contextlib
import ctypes
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

_LIBC = ctypes.CDLL(None, use_errno=True)
_PR_SET_PDEATHSIG = 1


class DidNotStart(Exception):
    """The process ended or stayed silent; the message holds the end of its log."""


def free_port() -> int:
    """A port of 127.0.0.1 that nobody has just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_until(
    condition: Callable[[], object],
    *,
    seconds: float,
    what: str,
    every: float = 0.02,
    by: "Child | None" = None,
) -> None:
    """Return as soon as `condition()` is true; AssertionError naming `what` when it never becomes so.

    `by` is the process that should make it so: when it has ended there is nothing to wait for.
    """
    end = time.monotonic() + seconds
    while not condition():
        told = f"\n{by.tail()}" if by is not None else ""
        if by is not None and not by.running and not condition():
            raise AssertionError(f"the process ended before: {what}{told}")
        if time.monotonic() > end:
            raise AssertionError(f"waited {seconds:g} s in vain for: {what}{told}")
        time.sleep(every)


def die_with_parent(stop_signal: int) -> Callable[[], None]:
    """What a child runs before it becomes another program: the kernel ends it when its parent is gone.

    Set after the change of user, which would clear it. Elsewhere than on Linux it does nothing.
    """

    def set_it() -> None:
        if sys.platform == "linux":
            _LIBC.prctl(_PR_SET_PDEATHSIG, stop_signal, 0, 0, 0)

    return set_it


class Child:
    """One process with its log in a file."""

    def __init__(
        self,
        command: Sequence[str | Path],
        *,
        log: Path,
        env: Mapping[str, str] | None = None,
        user: str | None = None,
        stop_signal: int = signal.SIGTERM,
        cwd: Path | None = None,
        with_children: bool = False,
    ) -> None:
        self.command = [str(word) for word in command]
        self.log = log
        self.stop_signal = stop_signal
        self._with_children = with_children
        with log.open("ab") as sink:
            # As user `user` where that is given: subprocess drops the supplementary groups with it.
            identity = {} if user is None else {"user": user, "group": group_of(user), "extra_groups": []}
            self.process = subprocess.Popen(
                self.command,
                stdin=subprocess.DEVNULL,
                stdout=sink,
                stderr=sink,
                env=dict(env) if env is not None else None,
                cwd=cwd,
                preexec_fn=die_with_parent(stop_signal),
                # A group of its own, so that `kill` reaches the processes that it starts.
                process_group=0 if with_children else None,
                **identity,
            )

    @property
    def pid(self) -> int:
        return self.process.pid

    @property
    def running(self) -> bool:
        return self.process.poll() is None

    def wait_ready(self, ready: Callable[[], object], *, seconds: float) -> None:
        end = time.monotonic() + seconds
        while not ready():
            if not self.running or time.monotonic() > end:
                raise DidNotStart(f"{self.command[0]}: {self.tail()}")
            time.sleep(0.02)

    def tail(self, length: int = 2_000) -> str:
        return self.log.read_text(errors="replace")[-length:]

    def signal(self, number: int) -> None:
        self.process.send_signal(number)

    def stop(self, seconds: float = 10) -> int:
        """Ask it to end, insist after `seconds`; its exit status."""
        if self.running:
            self.process.send_signal(self.stop_signal)
            try:
                return self.process.wait(seconds)
            except subprocess.TimeoutExpired:
                self.process.kill()
        return self.process.wait()

    def kill(self) -> None:
        """As a power cut would: SIGKILL, its own children included where it was started so; then reaped."""
        if self._with_children:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.pid, signal.SIGKILL)
        elif self.running:
            self.process.kill()
        self.process.wait()


def group_of(user: str) -> int:
    """The primary group of an operating system user."""
    import pwd  # noqa: PLC0415 - there is no such module on Windows, where this is never called

    return pwd.getpwnam(user).pw_gid


def kill_children_of(parent: int) -> None:
    """SIGKILL every child process that `parent` has just now. For pools that fork, and fork again."""
    children = Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
    assert children, f"process {parent} has no child"
    for child in children:
        os.kill(int(child), signal.SIGKILL)

"""The lock that SQLite's writers queue for, one file beside the database.

SQLite's own busy handler sleeps and tries again, so under contention some writer always loses: with eight
writers the slowest waited 630 to 1,040 ms at the 99th percentile. The kernel wakes those who wait for a
`flock`, which brought that to 135 to 165 ms, and a killed process gives its lock back by itself.

The threads of one process queue among themselves first, and pass the file's lock on from one to the next: to
wait for it in the kernel with a time limit costs a thread each time. After `LONGEST_RUN_SECONDS` it goes back
to the kernel, where other processes wait.
"""

import contextlib
import fcntl
import os
import threading
import time
from collections import deque
from pathlib import Path

LONGEST_RUN_SECONDS = 0.01
PAUSE_SECONDS = 0.001


class LockTimeoutError(Exception):
    """The lock was not free within the time allowed."""

    def __init__(self, seconds: float) -> None:
        super().__init__(f"another writer kept the database for more than {seconds:g} s")


class WriteLock:
    """One connection's handle on the lock. Not shared between threads, like the connection itself."""

    def __init__(self) -> None:
        self._queue: _Queue | None = None

    @property
    def held(self) -> bool:
        return self._queue is not None

    def acquire(self, path: Path, timeout_seconds: float) -> None:
        """Take the lock of `path` or raise LockTimeoutError. Taking it twice is a mistake of the caller's."""
        queue = self._queue_for(path)
        queue.enter(timeout_seconds)
        self._queue = queue

    def acquire_at_once(self, path: Path) -> bool:
        """Take the lock if nobody has it or waits for it; says whether it was taken."""
        queue = self._queue_for(path)
        if queue.enter_at_once():
            self._queue = queue
        return self._queue is not None

    def _queue_for(self, path: Path) -> "_Queue":
        if self._queue is not None and self._queue.is_ours:
            raise RuntimeError("This connection holds the write lock already.")
        self._queue = None
        return _queue_of(path)

    def release(self) -> None:
        """Give the lock back; does nothing when it is not held."""
        queue, self._queue = self._queue, None
        # After a fork the parent's lock is shared with the child through the open file: the child must not
        # give back what the parent holds.
        if queue is not None and queue.is_ours:
            queue.leave()


class _Queue:
    """This process's place at one lock file, and its threads who want it, in the order in which they came."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._process = os.getpid()
        self._descriptor: int | None = None
        self._guard = threading.Lock()
        self._taken = False
        self._waiting: deque[threading.Lock] = deque()
        # Since when this process has had the file's lock; None without it. Only whose turn it is looks here.
        self._since: float | None = None
        self._has_run_long = False

    @property
    def is_ours(self) -> bool:
        """False in a process that was forked off after the queue was made."""
        return self._process == os.getpid()

    def enter(self, timeout_seconds: float) -> None:
        """Raises LockTimeoutError."""
        end = time.monotonic() + timeout_seconds
        with self._guard:
            mine = None
            if self._taken:
                mine = threading.Lock()
                mine.acquire()
                self._waiting.append(mine)
            self._taken = True
        if mine is not None and not mine.acquire(timeout=timeout_seconds):
            with self._guard:
                if mine in self._waiting:
                    self._waiting.remove(mine)
                    raise LockTimeoutError(timeout_seconds)
            # It was this thread's turn at the very last moment.
        if self._since is None:
            try:
                self._take_file(end, timeout_seconds)
            except BaseException:
                self.leave()
                raise

    def enter_at_once(self) -> bool:
        with self._guard:
            if self._taken:
                return False
            self._taken = True
        try:
            is_ours = self._try_file()
        except BaseException:
            self.leave()
            raise
        if not is_ours:
            self.leave()
        return is_ours

    def leave(self) -> None:
        with self._guard:
            following = self._waiting.popleft() if self._waiting else None
            self._taken = following is not None
            if self._since is not None:
                self._has_run_long = time.monotonic() - self._since > LONGEST_RUN_SECONDS
                if following is None or self._has_run_long:
                    self._since = None
                    fcntl.flock(self._descriptor, fcntl.LOCK_UN)
        if following is not None:
            following.release()

    def _take_file(self, end: float, timeout_seconds: float) -> None:
        if not self._try_file():
            self._wait_for_file(self._descriptor, end, timeout_seconds)
            self._since = time.monotonic()

    def _try_file(self) -> bool:
        if self._descriptor is not None and os.fstat(self._descriptor).st_nlink == 0:
            # Somebody has deleted it: others queue at a new file of that name.
            os.close(self._descriptor)
            self._descriptor = None
        if self._descriptor is None:
            self._descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        if self._has_run_long:
            # Whom the kernel has just woken needs a moment to come before us.
            time.sleep(PAUSE_SECONDS)
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        self._since = time.monotonic()
        return True

    def _wait_for_file(self, descriptor: int, end: float, timeout_seconds: float) -> None:
        """Queue in the kernel, but not for ever: `flock` has no time limit, so a thread waits for us."""
        outcome = _Outcome()
        waiter = threading.Thread(target=outcome.wait_for, args=(descriptor,), daemon=True)
        waiter.start()
        if outcome.settled.wait(max(end - time.monotonic(), 0)) or not outcome.give_up():
            if outcome.failure is not None:
                raise outcome.failure
            return
        # The waiter still has the open file in hand and will close it; the next one opens another.
        self._descriptor = None
        raise LockTimeoutError(timeout_seconds)


class _Outcome:
    """How one wait ended: got the lock, failed, or was given up, whichever came first."""

    def __init__(self) -> None:
        self.settled = threading.Event()
        self.failure: OSError | None = None
        self._guard = threading.Lock()
        self._given_up = False

    def wait_for(self, descriptor: int) -> None:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        except OSError as error:
            self.failure = error
        with self._guard:
            self.settled.set()
            if self._given_up:
                with contextlib.suppress(OSError):
                    os.close(descriptor)

    def give_up(self) -> bool:
        """True when nobody will use the lock any more; False when it came at the last moment."""
        with self._guard:
            self._given_up = not self.settled.is_set()
            return self._given_up


_queues: dict[Path, _Queue] = {}
_making = threading.Lock()


def _queue_of(path: Path) -> _Queue:
    with _making:
        return _queues.setdefault(path, _Queue(path))


def _begin_anew() -> None:
    global _making
    # Another thread may have held it at the fork.
    _making = threading.Lock()
    _queues.clear()


os.register_at_fork(after_in_child=_begin_anew)

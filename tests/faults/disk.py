"""What a disk may hold after a power cut, from the system calls of a process as `strace` wrote them down.

The model: what was written and not yet synced is there whole, torn at a sector of 512 bytes, or not at all,
each write for itself. File names that were made or removed since the folder was synced survive as a prefix of
their order. fsync of a file makes its content durable, and its name; fsync of the folder makes all names so.
"""

import random
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

SECTOR = 512
TRACED = "openat,pwrite64,write,fsync,fdatasync,ftruncate,unlink,close"
_PROCESS = re.compile(r"^\d+\s+")
_CALL = re.compile(r"(\w+)\((.*)\)\s+= (-?\d+)")
_UNFINISHED = re.compile(r"^(.*?)\s*<unfinished \.\.\.>$")
_RESUMED = re.compile(r"^<\.\.\. \w+ resumed>(.*)$")


@dataclass(frozen=True, slots=True)
class Write:
    file: int
    at: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Truncate:
    file: int
    size: int


@dataclass(frozen=True, slots=True)
class Sync:
    """file: None for the folder."""

    file: int | None


@dataclass(frozen=True, slots=True)
class Name:
    """A name is made (file set) or removed (None)."""

    name: str
    file: int | None


@dataclass(frozen=True, slots=True)
class Acknowledged:
    number: int


Operation = Write | Truncate | Sync | Name | Acknowledged


def operations(trace: Path, database: Path) -> Iterator[Operation]:
    """What the traced process did to the database's files, in order; file numbers count from 0, which is the
    database itself. "ACK n" on its standard output is Acknowledged(n)."""
    descriptors: dict[int, int | None] = {}
    files = {str(database): 0}
    for name, arguments, result in _calls(trace):
        if result < 0:
            continue
        first = arguments.split(", ")[0]
        if name == "openat":
            path = _text(arguments.split(", ")[1])
            descriptors.pop(result, None)
            if path == str(database.parent):
                descriptors[result] = None
            elif path in (str(database), f"{database}-wal", f"{database}-journal"):
                if path not in files:
                    files[path] = len(files)
                    yield Name(path, files[path])
                descriptors[result] = files[path]
        elif name == "unlink":
            path = _text(first)
            if files.pop(path, None) is not None:
                yield Name(path, None)
        elif name == "write" and first == "1":
            said = _bytes(arguments.split(", ")[1])
            if said.startswith(b"ACK "):
                yield Acknowledged(int(said[4:]))
        elif int(first) in descriptors:
            yield from _on_file(name, arguments, descriptors, int(first))


def _on_file(
    name: str, arguments: str, descriptors: dict[int, int | None], descriptor: int
) -> Iterator[Operation]:
    file = descriptors[descriptor]
    if name in ("fsync", "fdatasync"):
        yield Sync(file)
    elif name == "close":
        del descriptors[descriptor]
    elif name == "pwrite64" and file is not None:
        _, data, length, at = arguments.split(", ")
        content = _bytes(data)
        assert len(content) == int(length), "strace cut a write short"
        yield Write(file, int(at), content)
    elif name == "ftruncate" and file is not None:
        yield Truncate(file, int(arguments.split(", ")[1]))


def _calls(trace: Path) -> Iterator[tuple[str, str, int]]:
    """(call, its arguments, its result); a call that another thread interrupted is put together again."""
    begun: dict[str, str] = {}
    with trace.open() as lines:
        for line in lines:
            process = line.split(None, 1)[0]
            text = _PROCESS.sub("", line.rstrip("\n"))
            if unfinished := _UNFINISHED.match(text):
                begun[process] = unfinished[1]
                continue
            if resumed := _RESUMED.match(text):
                text = begun.pop(process) + resumed[1].lstrip()
            if call := _CALL.match(text):
                yield call[1], call[2], int(call[3])


def _bytes(quoted: str) -> bytes:
    return bytes.fromhex(quoted.strip('"').replace("\\x", ""))


def _text(quoted: str) -> str:
    return _bytes(quoted).decode(errors="replace")


@dataclass
class Disk:
    """Applies operations, and tells what may be left if the power goes now."""

    content: dict[int, bytearray]
    names: dict[str, int]
    unsynced: dict[int, list[Write | Truncate]] = field(default_factory=dict)
    unsynced_names: list[Name] = field(default_factory=list)
    acknowledged: int = 0

    def apply(self, operation: Operation) -> None:
        match operation:
            case Acknowledged(number):
                self.acknowledged = number
            case Name():
                self.unsynced_names.append(operation)
            case Write(file=file) | Truncate(file=file):
                self.unsynced.setdefault(file, []).append(operation)
            case Sync(file=None):
                self._keep_names(len(self.unsynced_names))
            case Sync(file=file):
                for change in self.unsynced.pop(file, []):
                    _change(self.content.setdefault(file, bytearray()), change)
                made = [index + 1 for index, name in enumerate(self.unsynced_names) if name.file == file]
                self._keep_names(max(made, default=0))

    def after_a_cut(self, rng: random.Random, survives: float) -> dict[str, bytes]:
        """One possible state, file name -> content; each unsynced write is there with chance `survives`."""
        names = dict(self.names)
        kept = len(self.unsynced_names)
        if survives < 1:
            kept = 0 if survives == 0 else rng.randint(0, kept)
        for name in self.unsynced_names[:kept]:
            _rename(names, name)
        return {name: bytes(self._torn(file, rng, survives)) for name, file in names.items()}

    def _torn(self, file: int, rng: random.Random, survives: float) -> bytearray:
        content = bytearray(self.content.get(file, b""))
        for change in self.unsynced.get(file, []):
            if rng.random() >= survives:
                continue
            if isinstance(change, Write) and len(change.data) > SECTOR and rng.random() < 0.3:
                whole = rng.randrange(len(change.data) // SECTOR) * SECTOR
                change = Write(change.file, change.at, change.data[:whole])
            _change(content, change)
        return content

    def _keep_names(self, number: int) -> None:
        for name in self.unsynced_names[:number]:
            _rename(self.names, name)
        del self.unsynced_names[:number]


def _rename(names: dict[str, int], name: Name) -> None:
    if name.file is None:
        names.pop(name.name, None)
    else:
        names[name.name] = name.file


def _change(content: bytearray, change: Write | Truncate) -> None:
    size = change.at if isinstance(change, Write) else change.size
    if len(content) < size:
        content.extend(bytes(size - len(content)))
    if isinstance(change, Write):
        content[change.at : change.at + len(change.data)] = change.data
    else:
        del content[size:]

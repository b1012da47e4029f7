"""A file's way into the books: staged and checked row by row by a task, then applied whole or not at all."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from io import BytesIO
from typing import BinaryIO

from inventory.imports.kinds import Checker, Fate, TableKind, kind_of
from inventory.models import ImportRow, ImportRun
from inventory.spreadsheets.columns import Header, Values, read_header
from inventory.spreadsheets.reading import MOST_BYTES, FileRefusedError, Row, read_rows
from shop.actor import Actor
from shop.background.context import TaskContext
from shop.background.queue import cancel_task, queue_task
from shop.db import atomic_write, write_transaction
from shop.db.bulk import room_for_many_rows
from shop.errors import FieldError, Invalid, WrongState
from shop.models import Site
from shop.roles import Action

CHECK, APPLY = "check_import", "apply_import"
CHUNK = 1_000
State = ImportRun.State
BUSY = frozenset({State.STAGED, State.APPLYING})
OVER = frozenset({State.APPLIED, State.FAILED, State.CANCELLED})


@write_transaction
def stage_import(
    *, site: Site, actor: Actor, at: datetime, kind: str, file: BinaryIO, name: str
) -> ImportRun:
    """Take a file in and have it checked in the background. Nothing but the staging changes.

    Raises Invalid when the file is too large or plainly no table; what only reading shows stands in the run.
    """
    actor.must(Action.IMPORT, site)
    kind_of(kind)
    data = file.read(MOST_BYTES + 1)
    try:
        next(read_rows(BytesIO(data), name))
    except FileRefusedError as error:
        raise Invalid(error.message, errors=[FieldError("/file", error.message)]) from error
    run = ImportRun.objects.create(
        site=site, kind=kind, file_name=name[-200:], data=data, created_at=at, created_by=actor.label
    )
    run.task = queue_task(CHECK, {"run": str(run.pk)}, at=at, site=site, created_by=actor.user)
    run.save(update_fields=["task"])
    return run


@write_transaction
def apply_import(*, run: ImportRun, actor: Actor, at: datetime) -> ImportRun:
    """Have a checked run applied in the background. Raises WrongState when it has errors or was applied."""
    actor.must(Action.IMPORT, run.site)
    run = _locked(run)
    if run.state != ImportRun.State.CHECKED:
        raise WrongState(
            f"{_standing(run)}; only a table that is read and has no errors is applied, and once."
        )
    run.state = ImportRun.State.APPLYING
    run.task = queue_task(APPLY, {"run": str(run.pk)}, at=at, site=run.site, created_by=actor.user)
    run.save(update_fields=["state", "task"])
    return run


def _standing(run: ImportRun) -> str:
    """The run and its state as a clause."""
    verb = "" if run.state == ImportRun.State.REFUSED else "is "
    return f"{run} {verb}{run.get_state_display().lower()}"


@write_transaction
def cancel_import(*, run: ImportRun, actor: Actor, at: datetime) -> ImportRun:
    """Call a run off; one that is being read or applied stops and changes nothing more. Its rows stay to be
    read. Raises WrongState for one that is over."""
    actor.must(Action.IMPORT, run.site)
    run = _locked(run)
    if run.state in OVER:
        raise WrongState(f"{_standing(run)}: there is nothing left to call off.")
    if run.state in BUSY and run.task is not None:
        cancel_task(run.task, at=at)
    run.state, run.data = ImportRun.State.CANCELLED, b""
    run.message = f"Called off by {actor.label}."
    run.save(update_fields=["state", "data", "message"])
    return run


def check_run(task: TaskContext, run: ImportRun) -> dict[str, int]:
    """Stage and judge every row in chunks, with progress; safe to run again from the start."""
    kind = kind_of(run.kind)
    with atomic_write():
        run.staged.all().delete()
    counts = dict.fromkeys(Fate.values, 0)
    data = bytes(run.data)
    try:
        total = sum(1 for _ in read_rows(BytesIO(data), run.file_name)) - 1
        if total > kind.most_rows:
            raise FileRefusedError(
                f"A table of {kind.title.lower()} has at most {kind.most_rows} rows; this one has {total}."
            )
        checker = kind.checker(run.site)
        for done, chunk in _judged(run, kind, checker, data):
            with atomic_write():
                ImportRow.objects.bulk_create(chunk)
            for row in chunk:
                counts[row.fate] += 1
            task.heartbeat(99 * done // max(total, 1), f"{done} of {total} rows checked")
        with atomic_write():
            for number, verdict in checker.close():
                row = run.staged.get(number=number)
                counts[row.fate] -= 1
                counts[verdict.fate] += 1
                row.message = "; ".join(filter(None, (row.message, verdict.message)))[:800]
                row.fate = verdict.fate
                row.save(update_fields=["fate", "message"])
    except FileRefusedError as error:
        return _finish_check(task, run, counts, refused=error.message)
    if total < 1:
        return _finish_check(task, run, counts, refused="The table has a heading and no rows.")
    return _finish_check(task, run, counts)


def apply_run(task: TaskContext, run: ImportRun, actor: Actor) -> dict[str, int]:
    """Write the whole table in one transaction, or nothing of it."""
    kind = kind_of(run.kind)
    changing = run.staged.filter(fate__in=[Fate.NEW, Fate.CHANGED]).order_by("number")
    rows = changing.values_list("number", "values").iterator(chunk_size=CHUNK)
    task.heartbeat(5, f"{run.new + run.changed} rows to write")
    write = kind.prepare(
        site=run.site,
        actor=actor,
        at=task.now(),
        rows=rows,
        document=f"import {run.file_name}"[:80],
        say=lambda done, of: task.heartbeat(5 + 85 * done // max(of, 1), f"{done} of {of} rows made ready"),
    )
    result = {"written": run.new + run.changed}
    with room_for_many_rows(), _commit(task, run, result):
        write()
        run.state, run.applied_at, run.data = ImportRun.State.APPLIED, task.now(), b""
        run.save(update_fields=["state", "applied_at", "data"])
    return result


def _locked(run: ImportRun) -> ImportRun:
    """The run as it is now, locked. Before its task's row, wherever both are: whoever calls a run off and who
    works on it would wait for each other."""
    return ImportRun.objects.select_for_update(of=("self",)).select_related("site", "task").get(pk=run.pk)


@contextmanager
def _commit(task: TaskContext, run: ImportRun, result: dict[str, int]) -> Iterator[None]:
    with atomic_write():
        _locked(run)
        with task.commit(result):
            yield


def fail_run(run: ImportRun, message: str) -> None:
    """Say on the run why nothing of it was applied."""
    with atomic_write():
        applying = ImportRun.objects.filter(pk=run.pk, state=State.APPLYING)
        applying.update(state=State.FAILED, message=message[:400])


def _judged(
    run: ImportRun, kind: TableKind, checker: Checker, data: bytes
) -> Iterator[tuple[int, list[ImportRow]]]:
    rows = read_rows(BytesIO(data), run.file_name)
    header = read_header(next(rows), kind.columns)
    chunk: list[ImportRow] = []
    done = 0
    for row in rows:
        done += 1
        chunk.append(_judge(run, checker, header, row))
        if len(chunk) == CHUNK:
            yield done, chunk
            chunk = []
    if chunk:
        yield done, chunk


def _judge(run: ImportRun, checker: Checker, header: Header, row: Row) -> ImportRow:
    values: Values
    values, wrong = header.values(row)
    if wrong:
        return ImportRow(
            run=run, number=row.number, values=values, fate=Fate.WRONG, message="; ".join(wrong)[:800]
        )
    verdict = checker.judge(row.number, values)
    return ImportRow(
        run=run, number=row.number, values=values, fate=verdict.fate, message=verdict.message[:800]
    )


def _finish_check(
    task: TaskContext, run: ImportRun, counts: dict[str, int], refused: str = ""
) -> dict[str, int]:
    with _commit(task, run, counts):
        run.rows = sum(counts.values())
        run.new, run.changed = counts[Fate.NEW], counts[Fate.CHANGED]
        run.same, run.wrong = counts[Fate.SAME], counts[Fate.WRONG]
        bad = bool(refused) or run.wrong > 0
        run.state = ImportRun.State.REFUSED if bad else ImportRun.State.CHECKED
        run.message = refused or (
            f"{run.wrong} of {run.rows} rows are wrong; nothing is applied." if bad else ""
        )
        run.data = b""
        run.save(update_fields=["rows", "new", "changed", "same", "wrong", "state", "message", "data"])
    return counts

"""Where shims are short: the valves that compete for too few, and everything that they could take.

Promise
    `find_shortages` splits the rows in two by the decomposition of Dulmage and Mendelsohn (1958), which is
    the same whatever best cover it starts from. Rows outside the shortage all get a shim that is in the
    building in every best plan, none of those that are short of. Rows inside can take nothing else in the
    building than the short columns, and in every best plan those are all taken. So who waits is decided
    inside, and each connected piece of the shortage on its own.

Why that holds for plans that are ranked as ShopScore is
    A set of rows that can be served together can be widened, without giving up any of them, until as many
    are served as can be (the exchange property of matchings). So the jobs that the first rank completes stay
    completed while the rest is served as far as possible; and every row served more takes one from the sum
    of `unresolved`, `bought` and `awaited`, the three ranks that follow, none of which then grows.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy

from jobs.compute.shopplan.model import BoolArray, IntArray, Model


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortage:
    """One connected piece: rows, jobs and shims that decide among themselves who waits."""

    rows: IntArray
    columns: IntArray
    """Shims in the building, all of which the best plans take."""
    jobs: list[int]
    """Jobs for which it is open whether they can be completed; never empty."""


def find_shortages(model: Model) -> tuple[set[int], list[Shortage]]:
    """The jobs of which a row is short, and the pieces of the shortage in which a choice is to be made."""
    short_rows = _short_rows(model)
    row_job = np.array([row.job for row in model.rows], dtype=np.int64)
    touched = set(row_job[short_rows].tolist())
    return touched, list(_pieces(model, short_rows, row_job))


def _short_rows(model: Model) -> BoolArray:
    """(rows,): the rows that could be left without in some best cover by shims in the building."""
    rows, columns = len(model.rows), len(model.columns)
    good = model.arcs.good
    row, column = model.arcs.row[good], model.arcs.column[good]
    copies = np.minimum(model.capacity[:columns], np.bincount(column, minlength=columns))
    start = np.concatenate([[0], copies.cumsum()])
    arc = np.repeat(np.arange(len(row)), copies[column])
    nth = np.arange(len(arc)) - np.repeat(copies[column].cumsum() - copies[column], copies[column])
    graph = scipy.sparse.csr_array(
        (np.ones(len(arc), dtype=np.int8), (row[arc], start[column[arc]] + nth)), shape=(rows, int(start[-1]))
    )
    found = scipy.sparse.csgraph.maximum_bipartite_matching(graph, perm_type="column")
    taken = np.repeat(np.arange(columns), copies)
    served = np.flatnonzero(found >= 0)
    left = np.flatnonzero(found < 0)
    # From a row that is left without to every shim that it could take, from there to the rows that have it.
    source = rows + columns
    ends = [
        (np.full(len(left), source), left),
        (row, rows + column),
        (rows + taken[found[served]], served),
    ]
    tail, head = (np.concatenate(side) for side in zip(*ends, strict=True))
    ways = scipy.sparse.csr_array(
        (np.ones(len(tail), dtype=np.int8), (tail, head)), shape=(source + 1, source + 1)
    )
    reached = scipy.sparse.csgraph.breadth_first_order(ways, source, return_predecessors=False)
    short = np.zeros(source + 1, dtype=np.bool_)
    short[reached] = True
    return short[:rows]


def _pieces(model: Model, short_rows: BoolArray, row_job: IntArray) -> Iterator[Shortage]:
    inside = short_rows[model.arcs.row] & (model.arcs.column < len(model.columns))
    row, column = model.arcs.row[inside], model.arcs.column[inside]
    rows, columns, jobs = len(model.rows), len(model.columns), len(model.hopeless)
    hopeless = np.array(model.hopeless, dtype=np.bool_)
    # A hopeless job waits anyhow, so it ties none of its rows together.
    tied = np.flatnonzero(short_rows & ~hopeless[row_job]) if rows else np.empty(0, dtype=np.int64)
    tail = np.concatenate([row, tied])
    head = np.concatenate([rows + column, rows + columns + row_job[tied]])
    size = rows + columns + jobs
    graph = scipy.sparse.csr_array((np.ones(len(tail), dtype=np.int8), (tail, head)), shape=(size, size))
    _, piece = scipy.sparse.csgraph.connected_components(graph, directed=False)
    open_jobs: dict[int, list[int]] = {}
    for job in sorted(set(row_job[tied].tolist())):
        open_jobs.setdefault(int(piece[rows + columns + job]), []).append(job)
    in_building = np.array([one.kind != "order" for one in model.columns], dtype=np.bool_)
    for number, which in open_jobs.items():
        yield Shortage(
            rows=np.flatnonzero(short_rows & (piece[:rows] == number)),
            columns=np.flatnonzero(in_building & (piece[rows : rows + columns] == number)),
            jobs=which,
        )

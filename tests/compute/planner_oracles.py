"""Independent optima for plans: written from the rules, on Fractions and Python's whole numbers without
limit, with nothing left out and nothing shared with the planner but its records.

Every shim that a valve may get is an `Option`. A shim used once has a `piece`; what may be had any number
of times has none.
"""

import itertools
from fractions import Fraction
from typing import NamedTuple

import networkx


class Option(NamedTuple):
    cost: tuple[int, int, int, int, int, int]
    piece: tuple | None
    thickness_nm: int | None
    tie: tuple  # the fixed order among options of equal cost
    kind: str


def options(problem):
    """Per valve that may change, by its place in the problem: all its options."""
    half = {"measured": problem.uncertainty.micrometer_nm, "marked": problem.uncertainty.unworn_nm}
    half |= {"used": half["measured"], "new": half["marked"]}
    found = {}
    for place, valve in enumerate(problem.valves):
        if valve.adjust == "never" or valve.shim is None:
            continue
        inside_now = valve.min_nm <= valve.passes_nm <= valve.max_nm
        needs = valve.adjust == "always" or not inside_now

        def fitted(
            thickness, half_width, cost, piece, tie, kind, valve=valve, own_half=half[valve.shim.known_by]
        ):
            after = valve.passes_nm + problem.lash_ratio * (valve.shim.thickness_nm - thickness)
            if not valve.min_nm <= after <= valve.max_nm:
                return []
            play = problem.lash_ratio * (own_half + half_width)
            sure = (
                valve.passes_nm > 0
                and after - play >= valve.min_nm
                and after - valve.passes_nm + valve.stops_nm + play <= valve.max_nm
            )
            unresolved, bought, opened, stock_cost = cost
            off = round(abs(Fraction(after) - valve.aim_nm))
            return [
                Option(
                    (unresolved, bought, 0 if sure else 1, opened, stock_cost, off),
                    piece,
                    thickness,
                    tie,
                    kind,
                )
            ]

        mine = []
        if needs:
            mine.append(Option((1, 0, 0, 1, 0, 0), None, None, (10,), "unresolved"))
        else:
            mine.append(
                Option((0, 0, 0, 0, 0, 0), ("own", place), valve.shim.thickness_nm, (0, place), "keep")
            )
        for other, giver in enumerate(problem.valves):
            if other != place and giver.shim is not None and giver.adjust != "never":
                mine += fitted(
                    giver.shim.thickness_nm,
                    half[giver.shim.known_by],
                    (0, 0, 1, 0),
                    ("own", other),
                    (0, other),
                    "swap",
                )
        for index, lot in enumerate(problem.lots):
            for copy in range(lot.quantity):
                worth = (2 if lot.condition == "new" else 1) + (2 if lot.elsewhere else 0)
                mine += fitted(
                    lot.thickness_nm,
                    half[lot.condition],
                    (0, 0, 1, worth),
                    ("lot", index, copy),
                    (worth, lot.thickness_nm),
                    "stock",
                )
        for thickness in problem.catalogue_nm:
            mine += fitted(thickness, half["new"], (0, 1, 1, 0), None, (9, thickness), "buy")
        found[place] = mine
    return found


def add(one, other):
    return tuple(map(sum, zip(one, other, strict=True)))


NOTHING = (0, 0, 0, 0, 0, 0)


def by_trying_everything(problem, order=(0, 1, 2, 3, 4, 5)):
    """(score, what each valve that may change gets as (kind, thickness)): the first of all best plans, by
    the order that plan_engine documents. Every combination is tried; only a piece used twice cuts it short.
    `order` is that of the ranks, by their places in the score, in which the score comes too.
    """
    # Copies of one lot are tried once each: taking the second before the first is no other plan.
    per_valve = list(options(problem).values())
    best = None

    def go_on(row, used, score, ties, picked):
        nonlocal best
        if row == len(per_valve):
            if best is None or (score, ties) < best[:2]:
                best = score, ties, picked
            return
        for option in per_valve[row]:
            piece = option.piece
            if piece in used or (
                piece is not None
                and piece[0] == "lot"
                and piece[2] > 0
                and (*piece[:2], piece[2] - 1) not in used
            ):
                continue
            go_on(
                row + 1,
                used | {piece} if piece is not None else used,
                add(score, tuple(option.cost[place] for place in order)),
                (*ties, (tuple(option.cost[place] for place in order), option.tie)),
                (*picked, (option.kind, option.thickness_nm)),
            )

    go_on(0, frozenset(), NOTHING, (), ())
    return best[0], best[2]


def _digits(problem, per_valve):
    """A base in which the six figures are digits of one number: no sum of costs ever carries."""
    return 1 + sum(max(max(option.cost) for option in mine) for mine in per_valve) + len(problem.valves)


def _as_number(cost, base):
    number = 0
    for figure in cost:
        number = number * base + figure
    return number


def _as_score(number, base):
    figures = []
    for _ in range(6):
        number, figure = divmod(number, base)
        figures.append(figure)
    return tuple(reversed(figures))


def _cheapest_edges(problem):
    """Per row, per piece (or a piece of the row's own) the least cost as one whole number; and the base."""
    per_valve = list(options(problem).values())
    base = _digits(problem, per_valve) if per_valve else 2
    edges = []
    for row, mine in enumerate(per_valve):
        cheapest = {}
        for option in mine:
            piece = option.piece or ("row", row, option.kind)
            number = _as_number(option.cost, base)
            if piece not in cheapest or number < cheapest[piece]:
                cheapest[piece] = number
        edges.append(cheapest)
    return edges, base


def by_shortest_paths(problem):
    """The best score, by the Hungarian method of successive shortest augmenting paths (Edmonds and Karp
    1972, Tomizawa 1971) in whole numbers without limit.
    """
    edges, base = _cheapest_edges(problem)
    row_price, piece_price, holder, held = [0] * len(edges), {}, {}, {}
    for start in range(len(edges)):
        distance, way, settled = {}, {}, set()
        row, length = start, 0
        reached_rows = [(start, 0)]
        while True:
            for piece, cost in edges[row].items():
                if piece not in settled:
                    through = length + cost - row_price[row] - piece_price.get(piece, 0)
                    if piece not in distance or through < distance[piece]:
                        distance[piece], way[piece] = through, row
            piece = min((key for key in distance if key not in settled), key=distance.__getitem__)
            settled.add(piece)
            length = distance[piece]
            if piece not in holder:
                break
            row = holder[piece]
            reached_rows.append((row, length))
        for row, at in reached_rows:
            row_price[row] += length - at
        for key in settled:
            piece_price[key] = piece_price.get(key, 0) - (length - distance[key])
        while piece is not None:
            row = way[piece]
            holder[piece] = row
            held[row], piece = piece, held.get(row)
    total = sum(edges[row][piece] for row, piece in held.items())
    return _as_score(total, base)


def by_network_simplex(problem):
    """The best score, as a min-cost flow solved by networkx's network simplex."""
    edges, base = _cheapest_edges(problem)
    graph = networkx.DiGraph()
    graph.add_node("sink", demand=len(edges))
    for row, cheapest in enumerate(edges):
        graph.add_node(("valve", row), demand=-1)
        for piece, cost in cheapest.items():
            graph.add_edge(("valve", row), piece, capacity=1, weight=cost)
            graph.add_edge(piece, "sink", capacity=1, weight=0)
    return _as_score(networkx.network_simplex(graph)[0], base)


def first_best_columns(layers, allowed):
    """By trying every assignment: the columns of the first best one, as assignment.py documents it."""
    ranks, rows, columns = layers.shape
    best = None
    for picked in itertools.permutations(range(columns), rows):
        if not all(allowed[row, column] for row, column in enumerate(picked)):
            continue
        own = [
            tuple(int(layers[rank, row, column]) for rank in range(ranks))
            for row, column in enumerate(picked)
        ]
        key = (
            tuple(sum(figures) for figures in zip(*own, strict=True)),
            [(cost, column) for cost, column in zip(own, picked, strict=True)],
        )
        if best is None or key < best[0]:
            best = key, picked
    return None if best is None else list(best[1])

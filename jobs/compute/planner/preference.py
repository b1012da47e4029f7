"""What makes one plan better than another, where somebody wants it otherwise than usual."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from jobs.compute.planner.types import Problem, Score

RANKS = Score._fields


@dataclass(frozen=True, slots=True, kw_only=True)
class Preference:
    """The order of the ranks, and what a plan may take. Raises ValueError unless `ranks` are those of
    `Score`, each once, with `unresolved` first: leaving valves out would make any other figure small.
    """

    ranks: tuple[str, ...] = RANKS
    buy: bool = True
    """Whether anything may be bought."""
    used: bool = True
    """Whether used shims may be taken from stock. The engine's own may change places either way."""
    elsewhere: bool = True
    """Whether shims may be taken that lie at another site."""

    def __post_init__(self) -> None:
        if sorted(self.ranks) != sorted(RANKS) or self.ranks[0] != "unresolved":
            raise ValueError(f"the ranks are {', '.join(RANKS)}, each once and unresolved first")

    @property
    def order(self) -> list[int]:
        """For each rank, the most important first, its place in `Score`."""
        return [RANKS.index(rank) for rank in self.ranks]

    def key(self, score: Score) -> tuple[int, ...]:
        """What plans are compared by under this preference, smaller first."""
        return in_order(score, self.order)

    def allows(self, *, condition: str, elsewhere: bool) -> bool:
        """Whether such a shim may be taken from stock."""
        return (self.used or condition != "used") and (self.elsewhere or not elsewhere)

    def restricted(self, problem: Problem) -> tuple[Problem, list[int]]:
        """The problem without what may not be taken; and, for each lot left, its place in the whole one: none
        where it is the whole one.
        """
        if self.buy and self.used and self.elsewhere:
            return problem, []
        left = [
            index
            for index, lot in enumerate(problem.lots)
            if self.allows(condition=lot.condition, elsewhere=lot.elsewhere)
        ]
        narrower = replace(
            problem,
            lots=tuple(problem.lots[index] for index in left),
            catalogue_nm=problem.catalogue_nm if self.buy else (),
        )
        return narrower, left


USUAL = Preference()
"""The ranks in the order of `Score`, everything allowed."""


def in_order(figures: Iterable[int], order: Iterable[int]) -> tuple[int, ...]:
    """The figures in another order."""
    figures = tuple(figures)
    return tuple(figures[place] for place in order)

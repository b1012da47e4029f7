"""The ways to do a job, side by side, with what each costs."""

from dataclasses import dataclass
from fractions import Fraction

from inventory.models import Balance
from jobs.compute.alternatives import Alternative, alternatives
from jobs.compute.cost import Cost
from jobs.compute.planner import Choice, Plan
from jobs.models import Job
from jobs.selectors.costs import Prices
from jobs.selectors.problem import JobProblem, problem_of
from shop.actor import Actor
from shop.models import Site
from shop.roles import Action


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to do the job."""

    alternative: Alternative
    cost: Cost
    sent: tuple[tuple[Choice, Balance], ...]
    """What other sites would have to send first, with where it lies. Such a way cannot be held as it is."""

    @property
    def name(self) -> str:
        """Under which the job is planned this way."""
        return self.alternative.key

    @property
    def plan(self) -> Plan:
        return self.alternative.plan


def ways_of(job: Job, actor: Actor) -> list[Way]:
    """The ways to do the job, the usual one first, over what lies at its site and at the others where the
    actor may hold shims too. Every valve that may be opened must have been read (see `problem.unread`).
    """
    asked = problem_of(job, _others(job, actor))
    prices = Prices(job.family)

    def cost(plan: Plan) -> Fraction | None:
        total = prices.cost(plan.choices).total
        return None if total is None else Fraction(total)

    return [
        Way(alternative=one, cost=prices.cost(one.plan.choices), sent=_sent(asked, one.plan))
        for one in alternatives(asked.problem, cost)
    ]


def _others(job: Job, actor: Actor) -> list[Site]:
    sites = Site.objects.filter(pk__in=list(actor.roles)).exclude(pk=job.site_id).order_by("code")
    return [site for site in sites if actor.may(Action.HOLD, site)]


def _sent(asked: JobProblem, plan: Plan) -> tuple[tuple[Choice, Balance], ...]:
    return tuple(
        (choice, asked.balances[choice.from_lot])
        for choice in plan.choices
        if choice.from_lot is not None and asked.problem.lots[choice.from_lot].elsewhere
    )

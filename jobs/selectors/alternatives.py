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
    stock: tuple[tuple[Choice, Balance], ...]
    """What it takes from bins, with where that lies."""
    sent: tuple[tuple[Choice, Balance], ...]
    """Of that, what other sites would have to send first. Such a way cannot be held as it is."""

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
    others = _others(job, actor)
    asked = problem_of(job, others)
    sites = {site.pk: site for site in (job.site, *others)}
    for lot in asked.balances:
        lot.site = sites[lot.site_id]
    prices = Prices(job.family)

    def cost(plan: Plan) -> Fraction | None:
        total = prices.cost(plan.choices).total
        return None if total is None else Fraction(total)

    return [_way(asked, one, prices.cost(one.plan.choices)) for one in alternatives(asked.problem, cost)]


def _others(job: Job, actor: Actor) -> list[Site]:
    sites = Site.objects.filter(pk__in=list(actor.roles)).exclude(pk=job.site_id).order_by("code")
    return [site for site in sites if actor.may(Action.HOLD, site)]


def _way(asked: JobProblem, one: Alternative, cost: Cost) -> Way:
    stock = tuple(
        (choice, asked.balances[choice.from_lot])
        for choice in one.plan.choices
        if choice.from_lot is not None
    )
    sent = tuple(
        (choice, lot)
        for choice, lot in stock
        if choice.from_lot is not None and asked.problem.lots[choice.from_lot].elsewhere
    )
    return Way(alternative=one, cost=cost, stock=stock, sent=sent)

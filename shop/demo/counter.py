"""What the parts counter does beside the jobs: buys for them, receives, inspects, restocks, slips."""

import uuid
from collections import defaultdict
from datetime import datetime, timedelta
from random import Random

from inventory.compute.lengths import Unit, parse, show
from inventory.models import (
    Balance,
    Condition,
    Hold,
    Inspection,
    Movement,
    PlaceKind,
    PurchaseLine,
    PurchaseList,
    Supplier,
)
from inventory.selectors.mix import stock_mix
from inventory.selectors.places import bin_for, place_of
from inventory.selectors.purchases import to_buy
from inventory.selectors.stock import content, stock
from inventory.services.floor import (
    Shims,
    put_away,
    receive_shims,
    return_to_bin,
    reverse_movement,
    scrap_shims,
)
from inventory.services.holds import extend_hold
from inventory.services.inspecting import measure_shim
from inventory.services.many_rows import MOST_ROWS
from inventory.services.minimums import MinimumRow, set_minimums_of_rows
from inventory.services.purchasing import STOCK_ARRIVED, Buy, mark_bought
from inventory.services.receiving import receive_purchase
from jobs.services.waking import wake_job
from shop.background import claims
from shop.demo.clock import Story
from shop.demo.founding import middle_of, stocked_sizes
from shop.demo.premises import SUPPLIERS
from shop.demo.world import Workshop, World
from shop.models import Task

HELD_WHILE_BOUGHT = timedelta(days=7)
INSPECT_EVERY_DAYS = 7
# The counter is behind: what came out of engines in the last two weeks still lies there.
INSPECTED_UNTIL_DAY = 716
RESTOCK_EVERY_DAYS = 35
MIX_SET_DAY = 709
# New shims of one size: bought again below the first figure, up to the second; fewer far from the middle.
RESTOCK_BELOW, RESTOCK_TO = 2, 3
RESTOCK_WITHIN_NM = 200_000
PART_COMES_LATER = 0.15
PITTED, SCRATCHED = 0.04, 0.10
_MICRON_NM = 1_000


def cheapest_supplier(world: World, family_code: str) -> Supplier:
    """Who sells the family for least."""
    best = min(
        (facts for facts in SUPPLIERS if family_code in facts.prices),
        key=lambda facts: facts.prices[family_code],
    )
    return world.suppliers[best.code]


def buy_for_jobs(world: World, workshop: Workshop, at: datetime) -> None:
    """Mark what jobs wait for as bought, one list per supplier, and see to it that each list comes.

    What those jobs hold already would be free again before it does, so their holds are extended.
    """
    buys: dict[str, list[Buy]] = defaultdict(list)
    waiting: set[uuid.UUID] = set()
    for lacking in to_buy(workshop.site):
        supplier = cheapest_supplier(world, lacking.family.code)
        buys[supplier.code].append(
            Buy(family=lacking.family, thickness_nm=lacking.thickness_nm, quantity=lacking.quantity)
        )
        waiting |= {need.job_id for need in lacking.needs}
    _buy(world, workshop, at, buys)
    for hold in Hold.objects.filter(job_id__in=waiting, state=Hold.State.HELD).order_by("created_at"):
        extend_hold(hold=hold, actor=workshop.counter, at=at, expires_in=HELD_WHILE_BOUGHT)


def _buy(world: World, workshop: Workshop, at: datetime, buys: dict[str, list[Buy]]) -> None:
    for code, lines in sorted(buys.items()):
        bought = mark_bought(
            site=workshop.site, actor=workshop.counter, at=at, supplier=world.suppliers[code], buys=lines
        )
        world.clock.start(delivery(world, workshop, bought, at))


def delivery(world: World, workshop: Workshop, bought: PurchaseList, at: datetime) -> Story:
    """The list comes after the supplier's days, once in a while in two parts."""
    rng = world.rng(f"delivery of {bought.number} at {workshop.facts.code}")
    morning = at.replace(hour=8, minute=rng.randint(20, 50)) + timedelta(days=bought.supplier.lead_days)
    yield morning
    lines = list(bought.lines.all())
    late = [lines.pop()] if len(lines) > 2 and rng.random() < PART_COMES_LATER else []
    _receive(workshop, bought, lines, morning)
    if late:
        later = morning + timedelta(days=2)
        yield later
        _receive(workshop, bought, late, later)


def _receive(workshop: Workshop, bought: PurchaseList, lines: list[PurchaseLine], at: datetime) -> None:
    receive_purchase(
        purchase_list=bought,
        actor=workshop.counter,
        at=at,
        received={line.pk: line.quantity for line in lines},
    )
    wake_waiting_jobs(at)


def wake_waiting_jobs(at: datetime) -> None:
    """Do what the background does when shims have come, at the moment at which they came."""
    waiting = Task.objects.filter(kind=STOCK_ARRIVED, state=Task.State.QUEUED, run_after__lte=at)
    for pk in waiting.order_by("id").values_list("pk", flat=True):
        if (task := claims.claim(pk, at=at)) is not None:
            claims.finish(task, at=at, result=None)
            wake_job(job_id=uuid.UUID(task.payload["job"]), at=at)


def inspections(world: World, workshop: Workshop) -> Story:
    """Every week the recovered shims are looked at, measured where nobody has yet, and go back or away."""
    rng = world.rng(f"inspections at {workshop.facts.code}")
    day = 5
    while day < INSPECTED_UNTIL_DAY:
        at = world.on(day, 15, rng.randint(0, 50))
        yield at
        inspect_all(rng, workshop, at)
        put_away_all(workshop, at + timedelta(minutes=8))
        day += INSPECT_EVERY_DAYS


def inspect_all(rng: Random, workshop: Workshop, at: datetime) -> None:
    """Clear the inspection place."""
    good: list[Shims] = []
    pitted: list[Shims] = []
    for balance in content(workshop.site, PlaceKind.INSPECTION):
        for _ in range(balance.on_hand):
            measured_nm, face = _inspect(rng, workshop, balance, at)
            shims = Shims(
                family=balance.family,
                thickness_nm=measured_nm,
                condition=Condition.USED,
                quantity=1,
                place=bin_for(workshop.site, balance.family, measured_nm),
            )
            (pitted if face == Inspection.Face.PITTED else good).append(shims)
    if good:
        return_to_bin(site=workshop.site, actor=workshop.counter, at=at, shims=good)
    if pitted:
        scrap_shims(
            site=workshop.site,
            actor=workshop.counter,
            at=at,
            source=place_of(workshop.site, PlaceKind.INSPECTION),
            shims=pitted,
            note="Face pitted",
        )


def _inspect(rng: Random, workshop: Workshop, balance: Balance, at: datetime) -> tuple[int, str]:
    measured_nm = balance.thickness_nm
    if balance.condition == Condition.UNMEASURED:
        # The marking said so, the micrometer says a little less.
        worn = round(abs(rng.gauss(1_500, 1_500)))
        measured_nm = (measured_nm - worn) // _MICRON_NM * _MICRON_NM
    chance = rng.random()
    face = Inspection.Face.GOOD
    if chance < PITTED:
        face = Inspection.Face.PITTED
    elif chance < PITTED + SCRATCHED:
        face = Inspection.Face.MARKED
    measure_shim(
        site=workshop.site,
        actor=workshop.counter,
        at=at,
        found=Shims(
            family=balance.family,
            thickness_nm=balance.thickness_nm,
            condition=balance.condition,
            quantity=1,
        ),
        measured=parse(show(measured_nm, places=3), Unit.MM),
        face=face,
        marking_legible=rng.random() < 0.8,
    )
    return measured_nm, face


def put_away_all(workshop: Workshop, at: datetime) -> None:
    """Clear the receiving place: new shims that a job did not use, mostly."""
    shims = [
        Shims(
            family=balance.family,
            thickness_nm=balance.thickness_nm,
            condition=balance.condition,
            quantity=balance.on_hand,
            place=bin_for(workshop.site, balance.family, balance.thickness_nm),
        )
        for balance in content(workshop.site, PlaceKind.RECEIVING)
    ]
    if shims:
        put_away(site=workshop.site, actor=workshop.counter, at=at, shims=shims)


def restocking(world: World, workshop: Workshop, first_day: int) -> Story:
    """Every few weeks the counter buys what has run low among the sizes in the middle."""
    day = first_day
    while True:
        at = world.on(day, 16, 10)
        yield at
        _buy(world, workshop, at, _run_low(world, workshop))
        day += RESTOCK_EVERY_DAYS


def _run_low(world: World, workshop: Workshop) -> dict[str, list[Buy]]:
    buys: dict[str, list[Buy]] = defaultdict(list)
    for code in workshop.facts.stocks:
        family = world.families[code]
        here: dict[int, int] = defaultdict(int)
        for balance in stock(workshop.site, family=family, condition=Condition.NEW):
            here[balance.thickness_nm] += balance.on_hand - balance.held
        for size in stocked_sizes(family):
            wanted = RESTOCK_TO - here[size]
            if abs(size - middle_of(family)) <= RESTOCK_WITHIN_NM and here[size] < RESTOCK_BELOW:
                buys[cheapest_supplier(world, code).code].append(
                    Buy(family=family, thickness_nm=size, quantity=wanted)
                )
    return buys


def keeping(world: World, workshop: Workshop) -> Story:
    """The manager has looked at what two years of jobs took, and set how many of each size are kept."""
    at = world.on(MIX_SET_DAY, 16, 40)
    yield at
    rows = [
        MinimumRow(family=row.family, thickness_nm=row.thickness_nm, minimum=row.proposal.proposed)
        for row in stock_mix([workshop.site.pk], at=at)
        if row.changes
    ]
    for begin in range(0, len(rows), MOST_ROWS):
        chosen = rows[begin : begin + MOST_ROWS]
        set_minimums_of_rows(site=workshop.site, actor=workshop.manager, at=at, rows=chosen)


def slips(world: World, workshop: Workshop, day: int) -> Story:
    """A delivery keyed in twice, and reversed by the manager once it shows."""
    family = world.families[workshop.facts.stocks[0]]
    size = middle_of(family)
    came = Shims(
        family=family,
        thickness_nm=size,
        condition=Condition.NEW,
        quantity=4,
        place=bin_for(workshop.site, family, size),
    )
    note = f"Delivery note {4_000 + day}"

    def receive(at: datetime) -> Movement:
        return receive_shims(site=workshop.site, actor=workshop.counter, at=at, shims=[came], document=note)

    yield (first := world.on(day, 10, 5))
    receive(first)
    yield (again := world.on(day, 10, 9))
    twice = receive(again)
    yield (noticed := world.on(day, 11, 30))
    reverse_movement(movement=twice, actor=workshop.manager, at=noticed, note=f"{note} was keyed in twice")

"""Random small engines through the whole way, whatever the planner makes of them: no shim is lost or made.

Hypothesis chooses engine, readings, shims, stock and what people do in between; the rules that must hold
whatever it chooses are checked on the ledger, not on what the services say.
"""

import sys
from collections import Counter
from dataclasses import replace
from itertools import count

import pytest
from django.db import connection, transaction
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from inventory.compute.lengths import Unit, from_nm, parse
from inventory.models import Balance, Need, PlaceKind
from inventory.selectors.audit import audit
from inventory.selectors.purchases import to_buy
from inventory.services.catalogue import add_supplier
from inventory.services.purchasing import Buy, mark_bought
from inventory.services.receiving import receive_purchase
from jobs.compute.planner import plan_engine, verify
from jobs.models import Fit, Job
from jobs.selectors.plans import CHANGES
from jobs.selectors.problem import problem_of
from jobs.services.fitting import fit_job
from jobs.services.handing_out import hand_out_job
from jobs.services.planning import accept_plan, plan_job, release_plan
from jobs.services.readings import FeelerInput, ShimInput, key_clearances, key_shims, set_adjust
from jobs.services.sign_off import sign_off_job
from jobs.services.stopping import stop_job
from jobs.services.waking import wake_job
from shop.errors import Unprocessable, WrongState
from tests.jobs.shop import AT, make_engine

UM = 1_000
numbers = count(1)
# Read here, since there is no fixture yet when settings are made.
EXAMPLES = 100 if "--long" in sys.argv else 12

thou = st.integers(0, 18).map(lambda figure: parse(str(figure), Unit.THOU))
hundredths = st.integers(0, 45).map(lambda figure: parse(f"0.{figure:02d}", Unit.MM))
passes = st.one_of(thou, hundredths)
on_grid = st.integers(0, 48).map(lambda step: 2_000_000 + 25_000 * step)
own_shims = st.one_of(
    st.none(),
    st.builds(lambda nm: ShimInput(thickness=from_nm(nm), known_by="marked"), on_grid),
    st.builds(
        lambda um: ShimInput(thickness=from_nm(um * UM), known_by="measured"), st.integers(2_050, 3_150)
    ),
)
valves = st.tuples(passes, own_shims, st.sampled_from(["auto", "auto", "auto", "always", "never"]))
lots = st.lists(
    st.tuples(st.integers(2_100, 3_000), st.sampled_from(["new", "used"]), st.integers(1, 2)), max_size=8
)
engines = st.tuples(
    st.integers(1, 3), st.integers(1, 2), st.integers(1, 2), st.sampled_from(["1", "1", "1.5", "0.8"])
)
ways = st.sampled_from(["fit", "hand out", "release", "stop", "stop after the fit"])


def on_hand(*kinds) -> Counter:
    """Shims by thickness in places of these kinds, whatever their condition."""
    found: Counter = Counter()
    for row in Balance.objects.filter(place__kind__in=kinds).exclude(on_hand=0):
        found[row.thickness_nm] += row.on_hand
    return Counter({thickness: number for thickness, number in found.items() if number})


INSIDE = (PlaceKind.BIN, PlaceKind.TRAY, PlaceKind.RECEIVING, PlaceKind.INSPECTION)


@pytest.fixture
def supplier(boss):
    return add_supplier(actor=boss, code="lund", name="Lund Parts", lead_days=1)


@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
@given(engine=engines, drawn=st.data(), stock=lots, way=ways)
def test_no_shim_is_lost_or_made(workshop, supplier, tech, clerk, engine, drawn, stock, way):
    # Each example in a transaction that is taken back: the next one begins with the same empty drawers.
    with transaction.atomic():
        one_engine(replace(workshop, bins={}, bays=[]), supplier, tech, clerk, engine, drawn, stock, way)
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        transaction.set_rollback(True)


def one_engine(workshop, supplier, tech, clerk, engine, drawn, stock, way) -> None:
    cylinders, intake, exhaust, ratio = engine
    kind = make_engine(
        workshop.family,
        f"drawn-{next(numbers)}",
        cylinders=cylinders,
        intake=intake,
        exhaust=exhaust,
        lash_ratio=ratio,
    )
    put_in_stock(workshop, stock)
    job = workshop.job(workshop.vehicle(f"H {next(numbers)}", kind))
    labels = list(job.valves.values_list("label", flat=True))
    chosen = {label: drawn.draw(valves, label) for label in labels}
    read_engine(job, tech, chosen)
    came_with = {valve.label: valve.shim_nm for valve in job.valves.all()}
    before = on_hand(*INSIDE)

    problem = problem_of(job).problem
    plan = plan_job(job=job, actor=tech, at=AT)
    assert verify(problem, plan_engine(problem)) == []
    job.refresh_from_db()
    if all(line.action not in CHANGES for line in plan.lines.all()):
        with pytest.raises(WrongState):
            accept_plan(plan=plan, actor=tech, at=AT)
        stop_job(job=job, actor=tech, at=AT, note="nothing to fit")
        bought: Counter = Counter()
    else:
        bought = work(workshop, supplier, tech, clerk, job, plan, way)
    job.refresh_from_db()
    assert not job.is_open
    event(f"{job.get_state_display()}, {Fit.objects.filter(valve__job=job).count()} fitted")
    prove(job, came_with, before, bought)


def put_in_stock(workshop, stock) -> None:
    for um, condition, quantity in stock:
        nm = um * UM if condition == "used" else um * UM // 25_000 * 25_000
        workshop.stock((f"{nm / 1e6:.3f}", condition, quantity))


def read_engine(job, tech, chosen) -> None:
    key_clearances(
        job=job,
        actor=tech,
        at=AT,
        readings={label: FeelerInput(passes=reading) for label, (reading, _, _) in chosen.items()},
    )
    shims = {label: shim for label, (_, shim, _) in chosen.items() if shim is not None}
    if shims:
        key_shims(job=job, actor=tech, at=AT, shims=shims)
    set_adjust(job=job, actor=tech, at=AT, adjust={label: adjust for label, (_, _, adjust) in chosen.items()})


def work(workshop, supplier, tech, clerk, job, plan, way) -> Counter:
    """From the plan to the end of the job; returns what was bought on the way."""
    accept_plan(plan=plan, actor=tech, at=AT)
    if way == "release":
        release_plan(job=job, actor=tech, at=AT)
        accept_plan(plan=plan, actor=tech, at=AT)
    bought = buy_what_is_lacking(workshop, supplier, clerk, job)
    job.refresh_from_db()
    assert job.state == Job.State.HELD
    if way == "stop":
        stop_job(job=job, actor=tech, at=AT, note="no time")
        return bought
    if way == "hand out" and job_has_holds(plan):
        hand_out_job(job=job, actor=clerk, at=AT)
    try:
        fit_job(job=job, actor=tech, at=AT)
    except Unprocessable as refusal:
        assert "left without a shim" in refusal.message  # noqa: PT017 - only this may be refused
        stop_job(job=job, actor=tech, at=AT, note="the engine wants a qualified look")
        return bought
    read_again(job, tech)
    if way == "stop after the fit":
        stop_job(job=job, actor=tech, at=AT, note="no time")
    else:
        sign_off_job(job=job, actor=tech, at=AT, reason="drawn by lot")
    return bought


def job_has_holds(plan) -> bool:
    return plan.lines.filter(action__in=["stock", "buy"]).exists()


def buy_what_is_lacking(workshop, supplier, clerk, job) -> Counter:
    sizes = to_buy(workshop.site)
    if not sizes:
        return Counter()
    workshop.bin("bought")
    buys = [Buy(family=size.family, thickness_nm=size.thickness_nm, quantity=size.quantity) for size in sizes]
    ordered = mark_bought(site=workshop.site, actor=clerk, at=AT, supplier=supplier, buys=buys)
    received = {line.pk: line.quantity for line in ordered.lines.all()}
    receive_purchase(purchase_list=ordered, actor=clerk, at=AT, received=received)
    wake_job(job_id=job.pk, at=AT)
    assert not Need.objects.filter(state__in=[Need.State.OPEN, Need.State.BOUGHT]).exists()
    return Counter({size.thickness_nm: size.quantity for size in sizes})


def read_again(job, tech) -> None:
    fits = Fit.objects.filter(valve__job=job).select_related("valve")
    key_clearances(
        job=job,
        actor=tech,
        at=AT,
        readings={fit.valve.label: FeelerInput(passes=from_nm(fit.predicted_nm)) for fit in fits},
    )


def prove(job, came_with, before, bought) -> None:
    assert audit() == []
    assert not Balance.objects.exclude(held=0).exists()
    assert not on_hand(PlaceKind.TRAY)
    # Conservation, counted from what is in the valves: what the engine came with and the building had and was
    # bought is in the engine now or in the building.
    known = [thickness for thickness in came_with.values() if thickness is not None]
    now = [valve.shim_nm for valve in job.valves.all() if valve.shim_nm is not None]
    assert Counter(known) + before + bought == Counter(now) + on_hand(*INSIDE)
    for fit in Fit.objects.filter(valve__job=job).select_related("valve"):
        valve = fit.valve
        assert fit.removed_nm == came_with[valve.label]
        assert valve.shim_nm == fit.fitted_nm == fit.planned_nm
        # In the called window, and predicted as planned.
        assert valve.min_nm <= fit.predicted_nm <= valve.max_nm
        assert valve.adjust != "never"
        assert fit.predicted_nm == fit.plan.lines.get(label=valve.label).called_nm
    # What left the engine and went to nobody lies in inspection.
    givers = {fit.fitted_from for fit in Fit.objects.filter(valve__job=job)}
    out = Counter(
        fit.removed_nm
        for fit in Fit.objects.filter(valve__job=job).select_related("valve")
        if f"valve:{fit.valve.label}" not in givers
    )
    assert out <= on_hand(PlaceKind.INSPECTION)

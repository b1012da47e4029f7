"""Every write use case of the inventory once: what must be there before it, and the act itself.

`found` makes a small shop. Each act finds its objects anew in whatever process it runs, by their codes.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from inventory.compute.lengths import parse
from inventory.models import (
    Hold,
    Movement,
    Place,
    PurchaseList,
    ReceiptLine,
    ShimFamily,
    Supplier,
    SupplierClaim,
)
from inventory.selectors.places import place_of
from inventory.services import (
    catalogue,
    claims,
    fitting,
    floor,
    holds,
    outside_fit,
    purchasing,
    receiving,
)
from inventory.services.floor import Shims
from inventory.services.receipts import Found
from inventory.services.sites import open_site
from shop.actor import service_actor
from shop.models import Site

AT = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)
LATER = AT + timedelta(days=30)
JOB = "01980000-0000-7000-8000-000000000004"
SIZES = (2_625_000, 2_650_000, 2_675_000)


def found() -> None:
    """A site with three bins, a tray, a supplier; 6 shims in each bin, 4 more in receiving."""
    actor = service_actor()
    site = open_site(code="north", name="North Yard")
    family = catalogue.add_family(
        actor=actor,
        code="disc29",
        name="29 mm disc",
        form="disc_over",
        marking="thousandths",
        diameter=parse("29.0", "mm"),
        thinnest=parse("2.000", "mm"),
        thickest=parse("3.200", "mm"),
        step=parse("0.025", "mm"),
    )
    for number, size in enumerate(SIZES, start=1):
        catalogue.add_bin(
            site=site,
            actor=actor,
            at=AT,
            code=f"A{number}",
            cabinet="A",
            row=1,
            column=number,
            family=family,
            size_nm=size,
        )
    catalogue.add_tray(site=site, actor=actor, code="T1")
    supplier = catalogue.add_supplier(actor=actor, code="brandt", name="Brandt Parts", lead_days=2)
    catalogue.add_offer(actor=actor, supplier=supplier, family=family, price=Decimal("4.20"), currency="EUR")
    shop = Shop()
    floor.receive_shims(**shop.here, shims=[shop.shims(n, 6) for n in range(3)])
    floor.receive_shims(**shop.here, shims=[replace(shop.shims(0, 4), place=None)])


class Shop:
    """What `found` made, looked up."""

    def __init__(self) -> None:
        self.site = Site.objects.get(code="north")
        self.family = ShimFamily.objects.get(code="disc29")
        self.bins = list(Place.objects.filter(site=self.site, kind="bin").order_by("code"))
        self.tray = Place.objects.get(site=self.site, code="T1")
        self.supplier = Supplier.objects.get(code="brandt")
        self.by = {"actor": service_actor(), "at": AT}
        self.here = {"site": self.site, **self.by}

    def shims(self, number: int = 0, quantity: int = 1, **more: Any) -> Shims:
        fields = {"thickness_nm": SIZES[number], "condition": "new", "place": self.bins[number]} | more
        return Shims(family=self.family, quantity=quantity, **fields)

    def wanted(self, number: int = 0, quantity: int = 1) -> holds.Wanted:
        return holds.Wanted(
            place=self.bins[number],
            family_id=self.family.id,
            thickness_nm=SIZES[number],
            condition="new",
            quantity=quantity,
            label=f"{number}-IN",
        )

    def hold(self) -> Hold:
        return Hold.objects.get(reference="Job 4")

    def list(self) -> PurchaseList:
        return PurchaseList.objects.get(number=1)

    def place(self, kind: str) -> Place:
        return place_of(self.site, kind)


def make_hold(shop: Shop, *, job_id: str | None = JOB, reference: str = "Job 4") -> Hold:
    return holds.hold_shims(
        **shop.here, lines=[shop.wanted(0, 2), shop.wanted(1, 1)], reference=reference, job_id=job_id
    )


def make_outside_hold(shop: Shop) -> Hold:
    return make_hold(shop, job_id=None)


def make_handed_out(shop: Shop) -> None:
    holds.hand_out_hold(hold=make_hold(shop), tray=shop.tray, **shop.by)


def fit_job(shop: Shop) -> None:
    """Two shims come out, three held ones and one from an unheld bin go in."""
    lines = list(shop.hold().lines.order_by("position"))
    put_in = [
        fitting.Fitted(
            shim=fitting.OneShim(family_id=shop.family.id, thickness_nm=line.thickness_nm, condition="new"),
            hold_line=line,
        )
        for line in (lines[0], lines[0], lines[1])
    ]
    new = fitting.OneShim(family_id=shop.family.id, thickness_nm=SIZES[2], condition="new")
    pulled = [
        replace(new, thickness_nm=2_600_000, condition="unmeasured"),
        replace(new, thickness_nm=2_581_000, condition="used"),
    ]
    fitting.fit_shims(
        **shop.here,
        tray=shop.tray,
        pulled=pulled,
        fitted=[*put_in, fitting.Fitted(shim=new, source=shop.bins[2])],
        holds=[shop.hold()],
        job_id=JOB,
        document="Job 4",
    )


def recover(shop: Shop) -> None:
    fitting.recover_shims(**shop.here, tray=shop.tray, job_id=JOB, document="Job 4")


def make_recovered(shop: Shop) -> None:
    make_hold(shop)
    fit_job(shop)
    recover(shop)


def note_needs(shop: Shop) -> None:
    purchasing.note_needs(
        site=shop.site,
        at=AT,
        family=shop.family,
        job_id=JOB,
        job_label="Job 4",
        needed_by=LATER,
        lacks=[purchasing.Lack(thickness_nm=SIZES[n], valve_label=f"{n}-EX") for n in (0, 0, 1)],
    )


def buy(shop: Shop) -> None:
    buys = [purchasing.Buy(family=shop.family, thickness_nm=size, quantity=4) for size in SIZES]
    purchasing.mark_bought(**shop.here, supplier=shop.supplier, buys=buys)


def make_bought(shop: Shop) -> None:
    note_needs(shop)
    buy(shop)


def receive_list(shop: Shop) -> None:
    bought = shop.list()
    lines = list(bought.lines.order_by("thickness_nm"))
    receiving.receive_purchase(
        purchase_list=bought,
        **shop.by,
        received={line.pk: 2 for line in lines},
        found={lines[0].pk: Found(damaged=1, short=1)},
        document="note 7",
    )


def settle(shop: Shop) -> None:
    claim = SupplierClaim.objects.get(kind="damaged")
    claims.settle_claim(claim=claim, **shop.by, state="credited", amount=Decimal("3.40"))


def claim(shop: Shop) -> None:
    row = ReceiptLine.objects.select_related("receipt__site").latest("good", "pk")
    claims.open_claim(row=row, **shop.by, kind="other", quantity=1, reason="wrong marking")


def make_claimed(shop: Shop) -> None:
    make_bought(shop)
    receive_list(shop)


def nothing(shop: Shop) -> None:
    """What `found` made is enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """service: the use case's name; before: what must be there; run: the act."""

    service: str
    run: Callable[[Shop], Any]
    before: Callable[[Shop], Any] = nothing


ACTS: dict[str, Act] = {
    act.service: act
    for act in (
        Act(
            service="receive_shims",
            run=lambda s: floor.receive_shims(**s.here, shims=[s.shims(0, 2), s.shims(1, 1)]),
        ),
        Act(service="put_away", run=lambda s: floor.put_away(**s.here, shims=[s.shims(0, 3)])),
        Act(
            service="move_shims",
            run=lambda s: floor.move_shims(
                **s.here, source=s.bins[0], shims=[s.shims(0, 2, place=s.bins[1])]
            ),
        ),
        Act(
            service="return_to_bin",
            run=lambda s: floor.return_to_bin(
                **s.here, shims=[s.shims(0, 1, thickness_nm=2_581_000, condition="used")]
            ),
            before=make_recovered,
        ),
        Act(
            service="scrap_shims",
            run=lambda s: floor.scrap_shims(**s.here, source=s.bins[0], shims=[s.shims(0, 2)], note="bent"),
        ),
        Act(
            service="count_in",
            run=lambda s: floor.count_in(**s.here, shims=[s.shims(0, 2), s.shims(2, 1)], note="opening"),
        ),
        Act(
            service="reverse_movement",
            run=lambda s: floor.reverse_movement(
                movement=Movement.objects.earliest("seq"), **s.by, note="twice"
            ),
        ),
        # An overdue hold is expired on the way.
        Act(
            service="hold_shims",
            run=lambda s: holds.hold_shims(
                **{**s.here, "at": LATER}, lines=[s.wanted(0, 6), s.wanted(2, 1)], reference="Job 5"
            ),
            before=make_hold,
        ),
        Act(
            service="extend_hold",
            run=lambda s: holds.extend_hold(hold=s.hold(), **s.by, expires_in=timedelta(days=9)),
            before=make_hold,
        ),
        Act(
            service="release_hold",
            run=lambda s: holds.release_hold(hold=s.hold(), **s.by, note="not needed"),
            before=make_hold,
        ),
        Act(
            service="hand_out_hold",
            run=lambda s: holds.hand_out_hold(hold=s.hold(), tray=s.tray, **s.by),
            before=make_hold,
        ),
        Act(
            service="hand_back_hold",
            run=lambda s: holds.hand_back_hold(hold=s.hold(), **s.by),
            before=make_handed_out,
        ),
        Act(
            service="expire_due_holds",
            run=lambda s: holds.expire_due_holds(site=s.site, at=LATER),
            before=make_hold,
        ),
        Act(service="fit_shims", run=fit_job, before=make_hold),
        Act(service="recover_shims", run=recover, before=lambda s: (make_hold(s), fit_job(s))),
        Act(
            service="fit_hold",
            run=lambda s: outside_fit.fit_hold(hold=s.hold(), **s.by, fitted={0: 1, 1: 1}),
            before=make_outside_hold,
        ),
        Act(service="note_needs", run=note_needs, before=note_needs),
        Act(service="cancel_needs", run=lambda s: purchasing.cancel_needs(job_id=JOB), before=note_needs),
        Act(service="mark_bought", run=buy, before=note_needs),
        Act(service="receive_purchase", run=receive_list, before=make_bought),
        Act(service="open_claim", run=claim, before=make_claimed),
        Act(service="settle_claim", run=settle, before=make_claimed),
        Act(
            service="cancel_purchase",
            run=lambda s: purchasing.cancel_purchase(purchase_list=s.list(), **s.by),
            before=make_bought,
        ),
    )
}

# As many lines as a movement may have: each lot leaves the supplier and comes into receiving.
LONG_DELIVERY = 250

CONTROLS: dict[str, Act] = {
    # What the fault tests must catch: an act that is not one transaction.
    "two deliveries": Act(
        service="two deliveries", run=lambda s: (ACTS["receive_shims"].run(s), ACTS["receive_shims"].run(s))
    ),
    "long delivery": Act(
        service="receive_shims",
        run=lambda s: floor.receive_shims(
            **s.here,
            shims=[
                s.shims(thickness_nm=2_000_000 + 4_000 * n, condition="used", place=None)
                for n in range(LONG_DELIVERY)
            ],
        ),
    ),
}

"""What is found of a delivery beside what was ordered: written down, put aside, claimed, settled."""

from datetime import timedelta
from decimal import Decimal

import pytest

from inventory.compute.lengths import parse
from inventory.models import PurchaseList, Receipt, ReceiptLine, SupplierClaim
from inventory.selectors.audit import audit
from inventory.selectors.claims import claimed_in_inspection
from inventory.services.catalogue import add_supplier
from inventory.services.claims import open_claim, settle_claim
from inventory.services.floor import reverse_movement
from inventory.services.purchasing import Buy, cancel_purchase, mark_bought
from inventory.services.receipts import BeyondTheOrder, Found
from inventory.services.receiving import receive_purchase
from inventory.services.shim_lines import Shims
from inventory.services.supplier_returns import return_to_supplier
from shop.errors import Forbidden, Invalid, StaleVersion, WrongState
from tests.inventory.books import contents, refused

pytestmark = pytest.mark.django_db
SIZE, OTHER = 2_625_000, 2_650_000


@pytest.fixture
def supplier(service):
    return add_supplier(actor=service, code="brandt", name="Brandt Parts", lead_days=2)


@pytest.fixture
def bought(site, clerk, at, supplier, family, bins):
    return mark_bought(
        site=site,
        actor=clerk,
        at=at,
        supplier=supplier,
        buys=[Buy(family=family, thickness_nm=SIZE, quantity=10)],
    )


@pytest.fixture
def receive(bought, clerk, at):
    def act(came, *, at=at, actor=clerk, confirm=False, **found):
        pk = bought.lines.get().pk
        return receive_purchase(
            purchase_list=bought,
            actor=actor,
            at=at,
            received={pk: came},
            found={pk: Found(**found)},
            confirm=confirm,
            document="note 7",
        )

    return act


def claims():
    return sorted(SupplierClaim.objects.values_list("kind", "quantity", "state"))


def test_everything_that_can_be_wrong_with_one_line(receive, bought, places):
    receive(5, damaged=2, wrong=1, wrong_nm=OTHER, short=2, price=Decimal("3.10"))
    line = bought.lines.get()
    assert (line.quantity, line.received) == (10, 5)
    assert contents(places["inspection"]) == {
        ("2.625", "new"): (2, 0),
        ("2.650", "new"): (1, 0),
    }
    assert claims() == [("damaged", 2, "open"), ("short", 2, "open"), ("wrong_size", 1, "open")]
    row = ReceiptLine.objects.get()
    assert (row.good, row.over, row.damaged, row.wrong, row.wrong_nm, row.short) == (5, 0, 2, 1, OTHER, 2)
    assert row.price == Decimal("3.10")
    bought.refresh_from_db()
    assert bought.state == "partly"
    assert bought.events.get(act="receive").text == (
        "Received: 5 × 2.625 mm; 2 of 2.625 mm damaged; 2 of 2.625 mm not in the parcel; "
        "1 of 2.650 mm instead of 2.625 mm."
    )
    assert audit() == []


def test_too_many_wait_in_receiving(receive, bought, places):
    receive(10, over=3)
    assert contents(places["receiving"]) == {("2.625", "new"): (3, 0)}
    assert claims() == []
    bought.refresh_from_db()
    assert bought.state == "received"


def test_a_list_of_which_a_part_came_is_closed_and_not_cancelled(receive, bought, clerk, at):
    receive(4)
    done = cancel_purchase(purchase_list=bought, actor=clerk, at=at)
    assert (done.state, done.closed_at, done.lines.get().received) == ("closed", at, 4)
    assert done.events.get(act="cancel").text == (
        "Closed: 4 of 10 shims came and stay received; the rest is called off: 6 × 2.625 mm."
    )
    over = "is closed, rest called off already; nothing was changed"
    refused(WrongState, lambda: cancel_purchase(purchase_list=bought, actor=clerk, at=at), says=over)
    refused(WrongState, lambda: receive(1), says=over)


class TestClaimsByHand:
    @pytest.fixture
    def claim(self, clerk, at):
        def act(quantity, kind="damaged", actor=clerk, reason="chipped at the edge"):
            row = ReceiptLine.objects.get()
            return open_claim(row=row, actor=actor, at=at, kind=kind, quantity=quantity, reason=reason)

        return act

    def test_over_what_was_found_later(self, receive, claim, bought, places, clerk, at):
        receive(6, damaged=1)
        made = claim(2)
        assert claims() == [("damaged", 1, "open"), ("damaged", 2, "open")]
        assert (made.supplier, made.site, made.reason) == (
            bought.supplier,
            bought.site,
            "chipped at the edge",
        )
        assert bought.events.get(act="claim").text == ("Claimed 2 × 2.625 mm (damaged): chipped at the edge")
        # Nothing moves by it.
        assert contents(places["inspection"]) == {("2.625", "new"): (1, 0)}
        settled = settle_claim(claim=made, actor=clerk, at=at, state="credited", amount=Decimal("6.80"))
        assert (settled.state, settled.reason) == ("credited", "chipped at the edge")
        assert audit() == []

    def test_what_is_too_many_is_claimed_and_goes_back_with_it(
        self, receive, claim, site, clerk, at, supplier, family, places
    ):
        receive(10, over=3)
        made = claim(3, kind="over", reason="3 more than ordered")
        assert claimed_in_inspection(site) == {}
        shims = Shims(
            family=family, thickness_nm=SIZE, condition="new", quantity=3, place=places["receiving"]
        )
        by = {"site": site, "actor": clerk, "at": at, "supplier": supplier}
        parcel = return_to_supplier(**by, shims=[shims], reason="too many", claims=[made])
        made.refresh_from_db()
        assert (made.supplier_return, contents(places["receiving"])) == (parcel, {})
        assert audit() == []

    def test_at_most_what_came_and_is_not_claimed(self, receive, claim, clerk, at):
        receive(4)
        first = claim(3)
        words = "of this delivery 1 shim of 2.625 mm can still be claimed"
        refused(Invalid, lambda: claim(2), {"/quantity": words})
        refused(Invalid, lambda: claim(0), {"/quantity": words})
        settle_claim(claim=first, actor=clerk, at=at, state="refused")
        assert claim(4).quantity == 4
        refused(Invalid, lambda: claim(1), {"/quantity": "0 shims of 2.625 mm can still be claimed"})

    def test_with_a_reason_of_a_kind_by_who_buys(self, receive, claim, tech):
        receive(4)
        refused(Invalid, lambda: claim(1, reason=" "), {"/reason": "say what is wrong"})
        refused(Invalid, lambda: claim(1, kind="late"), {"/kind": "must be one of damaged, "})
        refused(Forbidden, lambda: claim(1, actor=tech))
        assert claims() == []


def test_only_a_delivery_note_of_what_was_not_in_the_parcel(receive, bought):
    receive(0, short=4)
    bought.refresh_from_db()
    assert (bought.state, Receipt.objects.get().movement) == ("bought", None)
    assert claims() == [("short", 4, "open")]


def measured(*figures):
    return tuple(parse(figure, "mm") for figure in figures)


def test_a_sample_within_the_tolerance_is_taken_in(receive, bought):
    # Both ends of 2.625 mm ± 0.005 mm.
    receive(9, measured=measured("2.620", "2.630", "2.625", "2.626"))
    row = ReceiptLine.objects.get()
    assert (row.good, row.rejected) == (9, 0)
    assert row.measured == ["2.620 mm", "2.630 mm", "2.625 mm", "2.626 mm"]


def test_one_reading_beyond_it_rejects_the_lot(receive, bought, places):
    receive(9, measured=measured("2.625", "2.625", "2.625", "2.6301"))
    row = ReceiptLine.objects.get()
    assert (row.good, row.rejected) == (0, 9)
    assert contents(places["inspection"]) == {("2.625", "new"): (9, 0)}
    assert claims() == [("rejected", 9, "open")]
    assert bought.lines.get().received == 0


def test_findings_that_cannot_be_meant(receive, bought):
    pk = bought.lines.get().pk
    for found, came, pointer, words in (
        ({"over": 1}, 9, "over", "only 9 of 10 outstanding"),
        (
            {"short": 2},
            9,
            "short",
            "10 of 2.625 mm are outstanding and 9 were in the parcel, so at most 1 miss",
        ),
        ({"short": 3, "damaged": 2, "wrong": 1, "wrong_nm": OTHER}, 5, "short", "at most 2 miss"),
        ({"wrong": 1}, 1, "wrong_nm", "say which size"),
        ({"wrong": 1, "wrong_nm": SIZE}, 1, "wrong_nm", "is what was ordered"),
        ({"wrong": 1, "wrong_nm": 2_626_000}, 1, "wrong_nm", "is no size"),
        ({"measured": measured("2.625")}, 9, "measured", "measure 4 to 9 of these 9"),
        ({"measured": measured("2.625", "9", "2.625", "2.625")}, 9, "measured", "outside its family"),
        ({"measured": measured("2.625"), "short": 1}, 0, "measured", "nothing of this line came"),
        ({"price": Decimal("-1")}, 1, "price", "0 or more"),
        ({"damaged": -1}, 1, "damaged", "must be 0 to"),
    ):
        refused(
            Invalid, lambda came=came, found=found: receive(came, **found), {f"/found/{pk}/{pointer}": words}
        )


def test_more_than_is_outstanding_is_confirmed_first(receive, bought, places):
    pk = bought.lines.get().pk
    words = "0 as ordered and 50000 damaged or of a wrong size are 50000 of 2.625 mm, and 10 are outstanding"
    refused(BeyondTheOrder, lambda: receive(0, damaged=50_000), {f"/found/{pk}/damaged": words})
    right = "with 9 as ordered, 1 would be right"
    wrong = {"wrong": 2, "wrong_nm": OTHER}
    refused(BeyondTheOrder, lambda: receive(9, **wrong), {f"/found/{pk}/wrong": right})
    refused(BeyondTheOrder, lambda: receive(10, over=11), {f"/found/{pk}/over": "an order of 10"})
    assert (claims(), contents(places["inspection"])) == ([], {})
    receive(9, **wrong, confirm=True)
    assert claims() == [("wrong_size", 2, "open")]
    # What cannot be is not to be confirmed.
    refused(Invalid, lambda: receive(1, short=1, confirm=True), {f"/found/{pk}/short": "at most 0 miss"})
    refused(Invalid, lambda: receive(2, confirm=True), {f"/received/{pk}": "2 received of 2.625 mm, 1 outst"})


def test_the_lead_time_really_met_leaves_the_weekend_out(receive, at):
    """The order is of Monday 2 March 2026: Thursday is three working days later, promised were two."""
    receive(4, at=at + timedelta(days=3))
    receipt = Receipt.objects.get()
    assert (at.strftime("%A"), receipt.lead_days, receipt.promised_days, receipt.in_time) == (
        "Monday",
        3,
        2,
        False,
    )
    receive(6, at=at + timedelta(days=7))
    assert Receipt.objects.latest("at").lead_days == 5


def test_a_claim_is_settled_once(receive, bought, clerk, boss, at):
    receive(5, damaged=2, short=1)
    claim = SupplierClaim.objects.get(kind="damaged")
    settled = settle_claim(
        claim=claim, actor=clerk, at=at, state="credited", amount=Decimal("6.20"), version=claim.version
    )
    assert (settled.state, settled.amount, settled.settled_by) == ("credited", Decimal("6.20"), clerk.label)
    with pytest.raises(StaleVersion):
        settle_claim(claim=claim, actor=boss, at=at, state="refused", version=claim.version)
    with pytest.raises(WrongState, match="credited already"):
        settle_claim(claim=claim, actor=boss, at=at, state="refused")
    assert bought.events.get(act="claim").text == "Claim for 2 (damaged): credited, 6.20 EUR."


def test_claims_that_cannot_be_settled_so(receive, tech, clerk, at):
    receive(5, damaged=2)
    claim = SupplierClaim.objects.get()
    for state, amount, pointer in (
        ("credited", None, "/amount"),
        ("credited", Decimal("1.005"), "/amount"),
        ("replaced", Decimal(1), "/amount"),
        ("open", None, "/state"),
    ):
        with pytest.raises(Invalid) as caught:
            settle_claim(claim=claim, actor=clerk, at=at, state=state, amount=amount)
        assert [error.pointer for error in caught.value.errors] == [pointer]
    with pytest.raises(Forbidden):
        settle_claim(claim=claim, actor=tech, at=at, state="replaced")


def test_damaged_shims_go_back_with_their_claim(receive, site, supplier, service, clerk, at, family, places):
    receive(5, damaged=2)
    (claim,) = SupplierClaim.objects.all()
    going = {
        "site": site,
        "actor": clerk,
        "at": at,
        "shims": [
            Shims(family=family, thickness_nm=SIZE, condition="new", quantity=2, place=places["inspection"])
        ],
        "reason": "dented",
        "claims": [claim],
    }
    other = add_supplier(actor=service, code="lund", name="Lund Parts", lead_days=2)
    with pytest.raises(Invalid, match="no claim to Lund Parts"):
        return_to_supplier(**going, supplier=other)
    made = return_to_supplier(**going, supplier=supplier)
    claim.refresh_from_db()
    assert claim.supplier_return == made
    assert contents(places["inspection"]) == {}
    assert audit() == []


def test_the_rest_comes_later_and_a_replacement_with_it(receive, bought, at):
    receive(5, damaged=2, short=3)
    receive(5, at=at + timedelta(days=9))
    bought.refresh_from_db()
    assert bought.state == PurchaseList.State.RECEIVED
    assert bought.receipts.count() == 2


class TestClaimsThatGoBack:
    @pytest.fixture
    def send(self, site, clerk, at, supplier, family, places):
        def act(*claims, quantity, nm=SIZE):
            place = places["inspection"]
            shims = Shims(family=family, thickness_nm=nm, condition="new", quantity=quantity, place=place)
            by = {"site": site, "actor": clerk, "at": at, "supplier": supplier}
            return return_to_supplier(**by, shims=[shims], reason="dented", claims=claims)

        return act

    @pytest.fixture
    def claim(self, receive):
        receive(5, damaged=3, wrong=1, wrong_nm=OTHER, short=1)
        return SupplierClaim.objects.get(kind="damaged")

    def test_once(self, send, claim):
        first = send(claim, quantity=3)
        words = "the shims of the claim “Damaged: 3” went back already; leave it out"
        refused(Invalid, lambda: send(claim, quantity=1, nm=OTHER), {"/claims": words})
        claim.refresh_from_db()
        assert claim.supplier_return == first

    @pytest.mark.parametrize(("state", "amount"), [("refused", None), ("credited", Decimal("2.10"))])
    def test_not_once_they_are_settled(self, send, claim, clerk, at, state, amount):
        settle_claim(claim=claim, actor=clerk, at=at, state=state, amount=amount)
        words = f"the claim “Damaged: 3” is {state} already; leave it out"
        refused(Invalid, lambda: send(claim, quantity=3), {"/claims": words})
        send(quantity=3)

    def test_not_what_never_came(self, send, claim):
        short = SupplierClaim.objects.get(kind="short")
        words = "the shims of the claim “Not in the parcel: 1” never came"
        refused(Invalid, lambda: send(short, quantity=1), {"/claims": words})

    def test_only_with_their_shims_in_the_parcel(self, send, claim):
        wrong = SupplierClaim.objects.get(kind="wrong_size")
        words = "claimed are 3 of 2.625 mm 29 mm disc, and 2 go back; send them all in this parcel"
        refused(Invalid, lambda: send(claim, quantity=2), {"/claims": words})
        words = "claimed are 3 of 2.625 mm 29 mm disc, and 0 go back"
        refused(Invalid, lambda: send(claim, quantity=1, nm=OTHER), {"/claims": words})
        words = "claimed are 1 of 2.650 mm 29 mm disc, and 0 go back"
        refused(Invalid, lambda: send(wrong, quantity=3), {"/claims": words})
        send(wrong, quantity=1, nm=OTHER)

    def test_what_later_turned_out_to_be_of_another_size_goes_as_that(self, send, claim, clerk, at):
        """Nobody wrote down which: what lies in the books as 2.650 mm may be the 2.625 mm of the order."""
        row = ReceiptLine.objects.get()
        said = {"actor": clerk, "at": at, "kind": "wrong_size", "reason": "2.650 on the micrometer"}
        later = [open_claim(row=row, quantity=count, **said) for count in (1, 2)]
        words = "claimed are 3 29 mm disc of a wrong size, and 1 go back"
        refused(Invalid, lambda: send(*later, quantity=1, nm=OTHER), {"/claims": words})
        made = send(later[0], quantity=1, nm=OTHER)
        assert list(made.claims.all()) == [later[0]]

    def test_and_stand_open_again_when_the_parcel_is_undone(self, send, claim, site, boss, at):
        made = send(claim, quantity=3)
        assert (claim.receipt_line.line.family_id, SIZE) not in claimed_in_inspection(site)
        reverse_movement(movement=made.movement, actor=boss, at=at, note="not collected")
        before, seen = claim.version, SupplierClaim.objects.get(pk=claim.pk)
        assert (seen.supplier_return, seen.version) == (None, before + 2)
        assert claim in claimed_in_inspection(site)[seen.receipt_line.line.family_id, SIZE]
        assert send(seen, quantity=3) != made
        assert audit() == []

"""Every page of a shop, by name: what the browser tests visit and the pictures show."""

from collections.abc import Iterator

from django.db.models import F
from django.urls import reverse

from inventory.models import (
    Balance,
    BinCount,
    Hold,
    ImportRun,
    Inspection,
    Movement,
    Place,
    PlaceKind,
    PurchaseList,
    ReceiptLine,
    ShimFamily,
    Supplier,
    SupplierClaim,
    Transfer,
    TransferMovement,
)
from inventory.selectors.people import people_of
from inventory.selectors.places import retired_bins
from jobs.models import Job
from shop.models import Site

JOB_PAGES = (
    "job",
    "readings",
    "shims",
    "plan",
    "fitting",
    "promise",
    "sign_off",
    "paper",
    "job_history",
    "take_in",
    "stop",
)
BIN_CARE = ("edit_bin", "relocate_bin", "merge_bin", "split_bin", "retire_bin", "restore_bin")
SITE_PAGES = (
    "board",
    "check",
    "jobs",
    "shop_plan",
    "open_job",
    "open_by_hand",
    "savings",
    "vehicles",
    "new_vehicle",
    "stock",
    "bins",
    "add_bin",
    "counter",
    "receive",
    "put_away",
    "inspection",
    "counts",
    "open_counts",
    "past_counts",
    "count_variance",
    "movements",
    "holds",
    "history",
    "journeys",
    "stale",
    "stock_then",
    "to_buy",
    "purchases",
    "drafts",
    "add_need",
    "mix",
    "labels",
    "scan",
    "tables",
    "transfers",
    "send",
    "supplier_returns",
    "claims",
    "buying_insight",
    "suppliers",
    "rates",
    "give_back",
)


def pages_of(site: Site) -> Iterator[tuple[str, str]]:
    """(name, address) of every page that a manager of the site can open, with one thing of each kind; of jobs
    one in each state that there is."""
    for name in SITE_PAGES:
        yield name, reverse(name, args=[site.code])
    for family in ShimFamily.objects.all()[:1]:
        for name in ("family", "family_mix"):
            yield name, reverse(name, args=[site.code, family.code])
    full = (
        Place.objects.filter(site=site, kind=PlaceKind.BIN, balances__on_hand__gt=0).order_by("code").first()
    )
    if full is not None:
        for name in ("bin", "move", "hold_by_hand", "count_in", "scrap", "pack_label", "regrade", *BIN_CARE):
            yield name, reverse(name, args=[site.code, full.pk])
    for place in retired_bins(site)[:1]:
        for name in ("bin", "count_in", "pack_label", *BIN_CARE):
            yield f"{name}-retired", reverse(name, args=[site.code, place.pk])
    if full is not None:
        yield "story-bin", reverse("story", args=[site.code, "bin", full.pk])
    for family in ShimFamily.objects.all()[:1]:
        yield "story-size", reverse("story", args=[site.code, "size", f"{family.code}-{family.min_nm}"])
    for person in people_of(site)[:1]:
        yield "story-person", reverse("story", args=[site.code, "person", person.pk])
    for hold in Hold.objects.filter(site=site, state="held", handed_out_at=None).order_by("pk")[:1]:
        for name in ("hold", "extend_hold", "release_hold", "take_over_hold"):
            yield name, reverse(name, args=[site.code, hold.pk])
    counted: set[str] = set()
    # One of which somebody is counting stands for those that are to count.
    begun_first = F("tallies__started_at").desc(nulls_last=True)
    for count in BinCount.objects.filter(site=site).order_by(begun_first, "-number"):
        if count.state not in counted:
            counted.add(count.state)
            yield f"count-{count.state}", reverse("count", args=[site.code, count.pk])
    for family in ShimFamily.objects.all()[:1]:
        for name in ("send", "give_back"):
            yield f"{name}-family", f"{reverse(name, args=[site.code])}?family={family.code}"
    for parcel in Transfer.objects.filter(source=site).order_by("-state", "-number")[:1]:
        for name in ("transfer", "write_off"):
            yield f"{name}-sent", reverse(name, args=[site.code, parcel.pk])
    for step in TransferMovement.objects.filter(movement__site=site, transfer__target=site)[:1]:
        yield "transfer-come", reverse("transfer", args=[site.code, step.transfer_id])
        yield "take_back", reverse("take_back", args=[site.code, step.transfer_id, step.movement.uid])
    for inspection in Inspection.objects.filter(site=site)[:1]:
        yield "inspected", reverse("inspected", args=[site.code, inspection.pk])
    for tray in Place.objects.filter(site=site, kind=PlaceKind.TRAY).order_by("code")[:1]:
        yield "tray", reverse("place", args=[site.code, tray.pk])
    for run in ImportRun.objects.filter(site=site)[:1]:
        yield "import", reverse("import", args=[site.code, run.pk])
    for movement in Movement.objects.filter(site=site).order_by("-seq")[:1]:
        yield "movement", reverse("movement", args=[site.code, movement.uid])
    shown: set[str] = set()
    for bought in PurchaseList.objects.filter(site=site).order_by("-number"):
        if bought.state not in shown:
            shown.add(bought.state)
            yield f"purchase-{bought.state}", reverse("purchase", args=[site.code, bought.pk])
    for claim in SupplierClaim.objects.filter(site=site).order_by("-state", "-opened_at")[:1]:
        yield "claim", reverse("claim", args=[site.code, claim.pk])
    for row in ReceiptLine.objects.filter(receipt__site=site).order_by("-over", "pk")[:1]:
        yield "open_claim", reverse("open_claim", args=[site.code, row.pk])
    for supplier in Supplier.objects.all()[:1]:
        yield "terms", reverse("terms", args=[site.code, supplier.code])
    lots = Balance.objects.filter(site=site, place__kind=PlaceKind.INSPECTION, on_hand__gt=0)
    for lot in lots.order_by("pk")[:1]:
        for name in ("measure", "return"):
            yield name, reverse(name, args=[site.code, lot.pk])
    seen: set[str] = set()
    for job in Job.objects.filter(site=site).order_by("-number"):
        if job.state in seen:
            continue
        seen.add(job.state)
        for name in JOB_PAGES:
            if name not in ("take_in", "stop", "promise") or job.is_open:
                yield f"{name}-{job.state}", reverse(name, args=[site.code, job.pk])
        yield f"vehicle-{job.state}", reverse("vehicle", args=[site.code, job.vehicle_id])
        if job.state in ("signed_off", "open"):
            yield f"check-{job.state}", f"{reverse('check', args=[site.code])}?vehicle={job.vehicle_id}"

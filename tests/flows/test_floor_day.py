"""A day on the floor at two sites: recovered shims, a parcel that comes short, bins split and retired."""

import pytest

from inventory.compute.lengths import parse
from inventory.models import Condition, Place, PlaceKind, Transfer
from inventory.selectors.audit import audit
from inventory.selectors.places import place_of
from inventory.services.bin_content import split_bin
from inventory.services.bins import retire_bin
from inventory.services.catalogue import add_bin
from inventory.services.floor import move_shims, return_to_bin, scrap_shims
from inventory.services.inspecting import inspect_shim
from inventory.services.shim_lines import Shims
from inventory.services.transfers import arrive_shims, send_shims, write_off_transfer
from tests.inventory.conftest import at, bins, boss, clerk, family, places, service, stranger, tech
from tests.inventory.lots import lots, pull, used

__all__ = ["at", "bins", "boss", "clerk", "family", "places", "service", "stranger", "tech"]
pytestmark = pytest.mark.django_db

MARKED_NM = 2_650_000


def test_from_the_engine_to_a_clean_audit(
    site, other_site, bins, places, family, service, tech, clerk, boss, stranger, at
):
    def shim(nm, quantity=1, place=None, condition=Condition.USED):
        return Shims(family=family, thickness_nm=nm, condition=condition, quantity=quantity, place=place)

    # Five shims come out of an engine, all marked 2.650.
    pull(places, family, 5, actor=service, at=at, nm=MARKED_NM)
    by_tech = {"site": site, "actor": tech, "at": at}
    found = shim(MARKED_NM, condition=Condition.UNMEASURED)
    for readings in (["2.651 mm"], ["2.648 mm", "2.650 mm"], ["0.1043 in"], ["2.624 mm"]):
        inspection = inspect_shim(
            **by_tech,
            found=found,
            readings=[parse(*text.split()) for text in readings],
            face="good",
            marking_legible=True,
        )
        assert inspection.fate == "bin"
        return_to_bin(**by_tech, shims=[shim(inspection.thickness_nm, place=inspection.proposed_bin)])
    pitted = inspect_shim(**by_tech, found=found, readings=[], face="pitted", marking_legible=False)
    assert pitted.fate == "scrap"
    scrap_shims(site=site, actor=clerk, at=at, source=places["inspection"], shims=[found], note=pitted.why)
    assert lots(places["inspection"]) == {}
    # 0.1043 in is 2.649220 mm: three of the grade 2.650, one of 2.625.
    assert lots(bins[1]) == used(2_651_000, 1) | used(2_649_000, 1) | used(2_649_220, 1)
    assert lots(bins[0]) == used(2_624_000, 1)

    # Two go to the other site, and one of them never arrives.
    there = add_bin(
        site=other_site, actor=stranger, at=at, code="H1", cabinet="H", row=1, column=1, family=family
    )
    sent = [shim(2_651_000, place=bins[1]), shim(2_649_000, place=bins[1])]
    parcel = send_shims(site=site, target=other_site, actor=clerk, at=at, shims=sent)
    parcel = arrive_shims(transfer=parcel, actor=stranger, at=at, arrived={0: 1}, places={0: there})
    assert (parcel.state, lots(there)) == (Transfer.State.IN_TRANSIT, used(2_651_000, 1))
    parcel = write_off_transfer(transfer=parcel, actor=boss, at=at, note="lost by the carrier")
    assert parcel.state == Transfer.State.CLOSED
    assert lots(place_of(site, PlaceKind.TRANSIT)) == {}

    # What is left comes together in a bin for anything, which is then split; the emptied one goes out of use.
    Place.objects.filter(pk=bins[3].pk).update(family=None, size_nm=None)
    mixed = Place.objects.select_related("site").get(pk=bins[3].pk)
    by_clerk = {"actor": clerk, "at": at}
    move_shims(site=site, **by_clerk, source=bins[0], shims=[shim(2_624_000, place=mixed)])
    move_shims(site=site, **by_clerk, source=bins[1], shims=[shim(2_649_220, place=mixed)])
    new = {"code": "A9", "cabinet": "A", "row": 2, "column": 1, "family": family, "size_nm": 2_625_000}
    made = split_bin(source=mixed, **by_clerk, **new)
    assert lots(made) == used(2_624_000, 1)
    assert lots(mixed) == used(2_649_220, 1)
    retire_bin(place=bins[0], **by_clerk, note="worn out")
    assert Place.objects.get(pk=bins[0].pk).retired_at == at

    assert list(audit()) == []

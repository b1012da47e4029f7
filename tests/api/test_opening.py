"""POST /jobs: the vehicle says at which site, and a bay that there is not is told which there are."""

from shop.models import Membership, Role
from tests.api.program import program


def test_a_vehicle_says_at_which_site_and_a_wrong_bay_which_there_are(world):
    vehicle = world.vehicle()["id"]
    bay = world.shop.bay().number
    refused = world.program.post("/jobs", {"vehicle": vehicle, "bay": 999})
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (400, "/bay")
    assert f"there is no bay 999; there is {bay}" in refused.json()["detail"]
    assert world.program.done("/jobs", {"vehicle": vehicle, "bay": bay})["site"] == world.site.code


def test_a_program_of_two_sites_names_one_and_needs_none_for_a_vehicle(world, manager, other_site):
    Membership.objects.create(user=manager, site=other_site, role=Role.MANAGER)
    both = program(manager, world.site, other_site)
    refused = both.post("/needs/restock", {})
    assert refused.json()["errors"] == [{"pointer": "/site", "detail": "is needed, one of harbour, north"}]
    world.shop.bay()  # and its tray
    assert both.done("/jobs", {"vehicle": world.vehicle()["id"]})["site"] == world.site.code

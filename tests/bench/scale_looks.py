"""What bench_scale asks of the service, as a manager's browser and a program do, without the network."""

import itertools
from collections.abc import Callable

from django.test import Client
from django.urls import reverse
from django.utils import timezone

from api.services.keys import issue_key
from inventory.compute.sizes import grade_of
from inventory.selectors.counting import due
from inventory.selectors.history import HistoryFilter, history
from inventory.selectors.stories import story_of_size
from inventory.services.holds import Wanted, hold_shims
from shop.actor import service_actor
from shop.models import Role, Site
from shop.roles import SCOPES
from tests.bench.scale_stock import some_stock
from tests.people import person

_orders = itertools.count(1)


def looks_of(site: Site) -> dict[str, Callable[[], object]]:
    """Each look by its name; at a site without stock a little is received first."""
    lots = some_stock(site)
    lot, in_turn = lots[0], itertools.cycle(lots)
    manager = person(f"manager-{site.code}", "Mara Quist", site, Role.MANAGER)
    browser = Client(SERVER_NAME="localhost")
    browser.force_login(manager)
    _, key = issue_key(
        actor=service_actor(),
        at=timezone.now(),
        name="bench",
        user=manager,
        sites=[site],
        scopes=SCOPES,
        requests_per_minute=1_000_000,
    )
    program = Client(SERVER_NAME="localhost", headers={"Authorization": f"Bearer {key}"})

    def answered(client: Client, address: str) -> None:
        response = client.get(address)
        assert response.status_code == 200, (address, response.status_code, response.content[:300])

    def hold_one() -> None:
        lot = next(in_turn)
        wanted = Wanted(
            place=lot.place,
            family_id=lot.family_id,
            thickness_nm=lot.thickness_nm,
            condition=lot.condition,
            quantity=1,
        )
        reference, by = f"Order {next(_orders)}", {"actor": service_actor(), "at": timezone.now()}
        hold_shims(site=site, **by, lines=[wanted], reference=reference)

    family = lot.family.code
    return {
        "stock page": lambda: answered(browser, reverse("stock", args=[site.code])),
        "family page": lambda: answered(browser, reverse("family", args=[site.code, family])),
        "GET /stock": lambda: answered(program, f"/api/v1/stock?site={site.code}&family={family}"),
        "hold": hold_one,
        "bin page": lambda: answered(browser, reverse("bin", args=[site.code, lot.place_id])),
        "history": lambda: list(history(site, HistoryFilter(place=lot.place))[:50]),
        "history of a size": lambda: story_of_size(
            site, lot.family, grade_of(lot.family.range, lot.thickness_nm), at=timezone.now()
        ).page(),
        "bins due to be counted": lambda: due(site, at=timezone.now()),
    }

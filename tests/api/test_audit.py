"""POST /audit starts the audit of all books in the background, GET /audit tells what the last one found."""

from datetime import timedelta

import pytest
from django.utils import timezone

from inventory.models import Balance
from shop.background.work import work_once
from shop.models import Membership, Role, Task
from shop.roles import SCOPES
from tests.api.program import program

# Work in the background commits by itself.
pytestmark = pytest.mark.django_db(transaction=True)


def work():
    work_once(timezone.now() + timedelta(seconds=1))


def test_it_is_queued_run_and_told(world):
    assert world.program.get("/audit").status_code == 404
    begun = world.program.post("/audit", {})
    assert begun.status_code == 202
    where = begun["Location"].removeprefix("/api/v1")
    assert world.program.get(where).json()["state"] == "queued"
    assert world.program.get("/audit").status_code == 404
    work()
    assert world.program.get(where).json()["state"] == "done"
    answer = world.program.get("/audit")
    assert world.program.get("/audit", **{"If-None-Match": answer["ETag"]}).status_code == 304
    told = answer.json()
    assert (told["clean"], told["differences"], told["unnamed"]) == (True, [], 0)
    assert told["movements"] >= 1
    assert told["balances"] >= 3


@pytest.mark.owner
def test_a_difference_is_named(world):
    balance = Balance.objects.filter(on_hand=20)
    balance.update(on_hand=21)
    world.program.post("/audit", {})
    work()
    told = world.program.get("/audit").json()
    balance = Balance.objects.filter(on_hand=21)
    balance.update(on_hand=20)
    assert told["clean"] is False
    assert any("the movements say 20, the balance says 21" in words for words in told["differences"])


def test_asked_again_while_it_waits_it_is_the_same_task(world):
    first, again = (world.program.post("/audit", {}) for _ in range(2))
    assert first["Location"] == again["Location"]
    assert Task.objects.filter(kind="audit_books").count() == 1
    work()
    assert world.program.post("/audit", {})["Location"] != first["Location"]


def test_it_takes_the_admin_scope(world, manager):
    narrow = program(manager, world.site, scopes=[scope for scope in SCOPES if scope != "admin"])
    assert narrow.post("/audit", {}).status_code == narrow.get("/audit").status_code == 403


def test_it_takes_a_manager_of_every_site(world, manager, other_site):
    """What it names lies at every site, and another site's things do not exist for others."""
    for answer in (world.program.post("/audit", {}), world.program.get("/audit")):
        assert answer.status_code == 403
        assert "Harbour" not in answer.content.decode()
    Membership.objects.create(user=manager, site=other_site, role=Role.MANAGER)
    assert program(manager, world.site, other_site).post("/audit", {}).status_code == 202
    assert world.program.post("/audit", {}).status_code == 403

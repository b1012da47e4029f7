"""Keys managed over the API, and the trail of who did what by which key."""

import pytest
from django.utils import timezone

from api.models import TrailEntry
from api.services.keys import issue_key
from shop.actor import service_actor
from shop.models import Membership, Role
from tests.api.catalogue_writes import issue_key as key_request
from tests.api.program import Program, program

ADMIN = ("read", "admin")


@pytest.fixture
def admin(manager, site):
    return program(manager, site, scopes=ADMIN)


class TestKeys:
    def test_what_is_issued_works_and_is_told_once(self, world):
        made = world.program.done(*key_request(world))
        program = Program(made["key"])
        assert program.get("/me").json()["scopes"] == ["read", "plan"]
        seen = world.program.get(f"/keys/{made['id']}").json()
        assert "key" not in seen
        assert made["key"].split("_")[1] == seen["prefix"]
        assert made["key"] not in world.program.get("/keys").content.decode()

    def test_revoked_it_is_refused_with_its_next_request(self, world):
        made = world.program.done(*key_request(world))
        revoked = world.program.done(f"/keys/{made['id']}/revoke")
        assert revoked["revoked_at"]
        assert Program(made["key"]).get("/me").status_code == 401
        assert {row["id"] for row in world.program.get("/keys?revoked=true").json()["items"]} == {made["id"]}
        assert made["id"] not in world.program.get("/keys?revoked=false").content.decode()

    def test_a_key_issues_none_that_may_do_more_than_itself(self, admin):
        body = {"name": "greedy", "sites": ["north"], "scopes": ["read", "stock"]}
        refused = admin.post("/keys", body)
        assert refused.status_code == 400
        assert refused.json()["errors"] == [
            {"pointer": "/scopes", "detail": "this key has not itself: stock"}
        ]
        assert admin.post("/keys", body | {"scopes": ["read"]}).status_code == 201

    def test_in_the_name_of_somebody_of_the_site_only(self, admin, technician, outsider):
        body = {"name": "bay", "sites": ["north"], "scopes": ["read"]}
        assert admin.post("/keys", body | {"user": technician.username}).json()["user"] == "ines"
        answers = [admin.post("/keys", body | {"user": name}) for name in (outsider.username, "nobody")]
        assert [answer.status_code for answer in answers] == [404, 404]

    def test_another_sites_and_a_wider_key_do_not_exist(self, admin, manager, site, other_site, outsider):
        Membership.objects.create(user=manager, site=other_site, role=Role.MANAGER)
        wide, _ = issue_key(
            actor=service_actor(),
            at=timezone.now(),
            name="wide",
            user=manager,
            sites=[site, other_site],
            scopes=["read"],
        )
        theirs = program(outsider, other_site)
        foreign = theirs.get("/keys").json()["items"][0]["id"]
        for key in (wide.pk, foreign):
            assert admin.get(f"/keys/{key}").status_code == 404
            assert admin.post(f"/keys/{key}/revoke", if_match="*").status_code == 404
        assert "wide" not in admin.get("/keys").content.decode()
        assert admin.post("/keys", {"name": "x", "sites": ["harbour"], "scopes": ["read"]}).status_code == 404


class TestTheTrail:
    def test_says_who_did_what_by_which_key(self, world):
        hold = world.hold()
        world.program.done(f"/holds/{hold['id']}/release", {"note": "the customer left"})
        release, held = world.program.get("/audit-trail?limit=2").json()["items"]
        assert (held["act"], held["status"], held["path"]) == ("hold_shims", 201, "/api/v1/holds")
        assert held["made"] == f"/api/v1/holds/{hold['id']}"
        assert (release["act"], release["method"]) == ("release_hold", "POST")
        assert release["who"] == "Bench calculator (key of Mara Quist)"
        assert (release["user"], release["site"]) == ("mara", "north")
        assert release["key"] == str(TrailEntry.objects.latest("at").key_id)
        by_request = world.program.get(f"/audit-trail?request_id={held['request_id']}").json()["items"]
        assert [row["id"] for row in by_request] == [held["id"]]

    def test_a_repeat_is_no_second_act(self, world):
        body = {"reference": "r", "lines": [world.line()]}
        for _ in range(3):
            world.program.post("/holds", body, key="k")
        assert TrailEntry.objects.filter(act="hold_shims").count() == 1

    def test_a_refusal_by_the_state_of_things_stands_there_once(self, world):
        body = {"reference": "r", "lines": [world.line(quantity=99)]}
        for _ in range(2):
            assert world.program.post("/holds", body, key="k").status_code == 409
        assert list(TrailEntry.objects.filter(act="hold_shims").values_list("status", flat=True)) == [409]

    def test_refusals_of_form_and_access_do_not(self, world):
        world.program.post("/holds", {"lines": []})
        world.program.post("/holds", {"reference": "r", "lines": [world.line()]}, key=False)
        assert not TrailEntry.objects.exists()

    def test_what_all_share_is_seen_where_the_person_works(self, world, stranger):
        world.program.patch("/suppliers/norrbeck", {"lead_days": 9}, if_match="*")
        (entry,) = world.program.get("/audit-trail?act=change_supplier").json()["items"]
        assert entry["site"] is None
        assert stranger.get("/audit-trail?act=change_supplier").json()["items"] == []
        assert stranger.get(f"/audit-trail/{entry['id']}").status_code == 404

    def test_is_for_those_who_manage_keys(self, world, technician):
        assert program(technician, world.site).get("/audit-trail").status_code == 403

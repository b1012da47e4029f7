"""Entity tags (bar A3): they change exactly when what is sent changes, on every single resource."""

import pytest

from api.etags import check_if_match, etag_of, is_unchanged
from inventory.models import Place, Receipt
from shop.errors import StaleVersion
from tests.api.buying_writes import claimed
from tests.api.table_writes import judged
from tests.api.writes import CASES, operations


def things(world):
    """One address of every kind of thing that can be looked at."""
    job = world.held()
    inspection = world.program.post(*CASES["inspect_shim"](world))["Location"].removeprefix("/api/v1")
    return [
        f"/shim-families/{world.family}",
        f"/shim-families/{world.family}/sizes",
        f"/engine-types/{world.shop.engine.code}",
        "/suppliers/norrbeck",
        "/sites/north",
        "/me",
        f"/stock-minimums/{_made(world, 'set_stock_minimum')}",
        f"/webhooks/{_made(world, 'add_webhook')}",
        f"/keys/{_made(world, 'issue_key')}",
        f"/audit-trail/{world.program.get('/audit-trail').json()['items'][0]['id']}",
        "/openapi.json",
        job,
        f"/holds/{world.program.get(job).json()['holds'][0]['id']}",
        f"/vehicles/{world.vehicle()['id']}",
        f"/bins/{Place.objects.get(site=world.site, code=world.bin('2.575')).pk}",
        f"/movements/{world.program.get('/movements').json()['items'][0]['id']}",
        f"/purchase-lists/{world.bought()['id']}",
        world.shop_plan(),
        inspection,
        f"/transfers/{_made(world, 'send_shims')}",
        "/transfer-targets",
        "/put-away-proposals?from=inspection",
        f"/supplier-returns/{_made(world, 'return_to_supplier')}",
        f"/counts/{_made(world, 'open_count')}",
        f"/purchase-choices/{_made(world, 'ask_for_choice')}",
        "/buying-insight",
        f"/needs/{_made(world, 'add_needs')}",
        f"/supplier-claims/{claimed(world).pk}",
        f"/receipts/{Receipt.objects.latest('at').pk}",
        judged(world, f"{world.bin('2.600')},{world.family},2.600,used,6"),
        f"/checks-before-opening?vehicle={world.vehicle()['id']}",
        f"/exchange-rates/{world.program.done(*CASES['set_rate'](world))['currency']}",
    ]


def _made(world, case):
    return world.program.done(*CASES[case](world))["id"]


def test_every_thing_has_a_strong_tag_and_304_where_it_is_unchanged(world):
    paths = things(world)
    looked_at = {path.strip("/").split("?")[0].split("/")[0] for path in paths}
    shown = {route.strip("/").split("/")[0] for _, route, declared in operations() if declared.kind == "show"}
    # A delivery is there only once somebody was told, an audit once it was made: test_webhooks.py and
    # test_audit.py look at those.
    assert shown - looked_at == {"tasks", "webhook-deliveries", "audit"}
    for path in paths:
        seen = world.program.get(path)
        tag = seen["ETag"]
        assert tag.startswith('"')
        assert tag == etag_of(seen.content)
        assert world.program.get(path)["ETag"] == tag
        for condition in (tag, f"W/{tag}", f'"other", {tag}', "*"):
            again = world.program.get(path, **{"If-None-Match": condition})
            assert (again.status_code, again.content, again["ETag"]) == (304, b"", tag), (path, condition)
        for condition in ('"other"', "nonsense", ""):
            assert world.program.get(path, **{"If-None-Match": condition}).status_code == 200


def test_gzip_does_not_weaken_the_tag(world):
    job = world.job()
    plain, zipped = (world.program.get(job, **{"Accept-Encoding": coding}) for coding in ("identity", "gzip"))
    assert plain["ETag"] == zipped["ETag"]
    assert not zipped["ETag"].startswith("W/")
    response = world.program.post(
        f"{job}/adjust", {"adjust": {"2-IN": "never"}}, if_match=zipped["ETag"], **{"Accept-Encoding": "gzip"}
    )
    assert response.status_code == 200


def test_it_changes_exactly_when_the_thing_does(world):
    """Along a whole job: each act that changes the sheet changes the tag, each that does not leaves it."""
    job = world.job()
    steps = [
        ("readings", world.readings, True),
        ("readings", world.readings, False),
        ("shims", world.shims, True),
        ("shims", world.shims, False),
        ("adjust", {"adjust": {"2-IN": "auto"}}, False),
        ("adjust", {"adjust": {"2-EX": "never"}}, True),
        ("plan", {}, True),
        ("hold", {}, True),
        ("hand-out", {}, True),
        ("fit", {}, True),
        ("readings", world.after, True),
        ("sign-off", {}, True),
    ]
    for act, body, changes in steps:
        before = world.program.get(job)
        world.program.done(f"{job}/{act}", body)
        after = world.program.get(job)
        assert (before["ETag"] != after["ETag"]) is changes, act
        assert (before.content != after.content) is changes, act


def test_head_answers_the_headers_alone(world):
    job = world.job()
    seen = world.program.get(job)
    head = world.program.client.head(
        f"/api/v1{job}", headers={"Authorization": f"Bearer {world.program.text}"}
    )
    assert head.content == b""
    assert (head["ETag"], head["Content-Length"]) == (seen["ETag"], str(len(seen.content)))


class TestConditions:
    def test_if_match_compares_strongly(self):
        check_if_match('"a"', '"a"')
        check_if_match("*", '"a"')
        check_if_match('"b", "a"', '"a"')
        for header in ('"b"', 'W/"a"', '""', '"A"'):
            with pytest.raises(StaleVersion):
                check_if_match(header, '"a"')

    def test_if_none_match_compares_weakly(self):
        assert is_unchanged('W/"a"', '"a"')
        assert is_unchanged("*", '"a"')
        assert not is_unchanged('"b"', '"a"')
        assert not is_unchanged(None, '"a"')
        assert not is_unchanged("a", '"a"')

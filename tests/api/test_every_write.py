"""Every write of the API, found in the resolver: who may not, what is needed, and that it happens once."""

import uuid

import pytest
from django.apps import apps

from api.operations import STATELESS
from shop.roles import ALLOWED, SCOPES, Action
from tests.api.program import Program, program
from tests.api.writes import CASES, method_of, operations, thing_at, writes

# What is remembered of every request, whatever came of it.
NO_EFFECT = ("api.KeptAnswer", "api.TrailEntry", "sessions.Session")
SHARED = ("shim-families", "engine-types", "suppliers")
WRITES = [pytest.param(declared, id=declared.name) for _, declared in writes()]
ACTS = [pytest.param(declared, id=declared.name) for _, declared in writes() if declared.needs_if_match]


def test_every_write_has_its_case_and_no_other():
    assert {declared.name for _, declared in writes()} == set(CASES)


def test_what_takes_no_key_stands_in_the_table():
    posts = {declared.name for method, _, declared in operations() if method == "post"}
    assert posts - set(CASES) == set(STATELESS)


def test_operations_have_names_of_their_own():
    names = [declared.name for _, _, declared in operations()]
    assert len(names) == len(set(names))


def rows():
    """How many rows each table has: what an effect shows in. Not: what was kept of it."""
    return {
        model._meta.label: model._default_manager.count()
        for model in apps.get_models()
        if model._meta.managed and model._meta.label not in NO_EFFECT
    }


def send(world, declared, path, body, by=None, **options):
    """The request as it should be, by the world's own program or by another."""
    if declared.needs_if_match and "if_match" not in options:
        options["if_match"] = world.program.get(thing_at(declared, path))["ETag"]
    return (by or world.program).send(method_of(declared), path, body, **options)


@pytest.mark.parametrize("declared", WRITES)
class TestEveryWrite:
    def test_is_done_and_a_repeat_gets_the_first_answer(self, world, declared):
        path, body = CASES[declared.name](world)
        tag = (
            {"if_match": world.program.get(thing_at(declared, path))["ETag"]}
            if declared.needs_if_match
            else {}
        )
        before = rows()
        first = world.program.send(method_of(declared), path, body, key="the-key", **tag)
        assert first.status_code == declared.status, first.content.decode()
        after = rows()
        again = world.program.send(method_of(declared), path, body, key='"the-key"', **tag)
        assert (again.status_code, again.content) == (first.status_code, first.content)
        assert [again.get(name) for name in ("ETag", "Location", "Content-Type")] == [
            first.get(name) for name in ("ETag", "Location", "Content-Type")
        ]
        assert again["Idempotency-Replayed"] == "true"
        assert "Idempotency-Replayed" not in first
        assert rows() == after
        assert after != before or declared.needs_if_match

    def test_answers_what_a_reader_then_sees(self, world, declared):
        path, body = CASES[declared.name](world)
        response = send(world, declared, path, body)
        where = response.get("Location", "").removeprefix("/api/v1") or thing_at(declared, path)
        seen = world.program.get(where)
        answered = response.json()
        if declared.tells:
            assert answered.pop(declared.tells)
            assert seen.json() == answered
        else:
            assert seen.content == response.content
        assert seen["ETag"] == response["ETag"]

    def test_the_same_key_for_another_body_is_422(self, world, declared):
        path, body = CASES[declared.name](world)
        assert send(world, declared, path, body, key="k").status_code == declared.status
        after = rows()
        other = send(world, declared, path, body | {"note": "another"}, key="k")
        # Where the act takes no note the body is refused for that, which is as good: nothing happens.
        assert other.status_code == (422 if "note" in declared.body().fields else 400)
        if other.status_code == 422:
            assert other.json()["type"] == "/api/problems/idempotency-key-reused"
        assert rows() == after

    def test_the_same_key_for_another_address_is_422(self, world, declared):
        path, body = CASES[declared.name](world)
        assert send(world, declared, path, body, key="k").status_code == declared.status
        held = world.hold()
        after = rows()
        other = world.program.act(f"/holds/{held['id']}/release", {}, key="k")
        assert other.status_code == 422
        assert rows() == after

    def test_the_key_of_another_credential_is_another_key(self, world, declared, manager):
        path, body = CASES[declared.name](world)
        other = program(manager, world.site)
        assert send(world, declared, path, body, key="k").status_code == declared.status
        answer = send(world, declared, path, body, by=other, key="k")
        assert "Idempotency-Replayed" not in answer

    def test_refusals_of_access_and_form_change_nothing(self, world, declared, manager):
        path, body = CASES[declared.name](world)
        others = [scope for scope in SCOPES if scope not in declared.action.scopes]
        narrow = program(manager, world.site, scopes=others)
        before = rows()

        for text in ("", "cg_nosuchke_nosuchkeynosuchkeynosuchkey"):
            response = send(world, declared, path, body, by=Program(text))
            assert response.status_code == 401
            assert response["WWW-Authenticate"].startswith('Bearer realm="coldgap"')

        response = send(world, declared, path, body, by=narrow)
        assert response.status_code == 403
        assert response.json()["scopes"] == sorted(declared.action.scopes)
        assert 'error="insufficient_scope"' in response["WWW-Authenticate"]

        response = send(world, declared, path, body, key=False)
        assert response.status_code == 400
        assert response.json()["type"] == "/api/problems/idempotency-key-missing"

        for key in ("", '""', '"open', "with space", "é", "x" * 256, '"a";p=1', "a\tb"):
            response = send(world, declared, path, body, if_match="*", key=False, **{"Idempotency-Key": key})
            assert response.status_code == 400, key
            assert response.json()["type"] == "/api/problems/idempotency-key-invalid"

        response = send(world, declared, path, body | {"state": "held", "id": 1})
        assert response.status_code == 400
        assert {error["pointer"] for error in response.json()["errors"]} >= {"/state"}

        response = send(world, declared, f"{path}?force=1", body, if_match="*")
        assert response.status_code == 400
        assert response.json()["errors"][0]["pointer"] == "?force"

        assert rows() == before

    def test_such_refusals_do_not_stick_to_the_key(self, world, declared, manager):
        path, body = CASES[declared.name](world)
        assert send(world, declared, path, body | {"state": "held"}, key="k").status_code == 400
        assert send(world, declared, path, body, by=Program(""), key="k").status_code == 401
        assert send(world, declared, path, body, key="k").status_code == declared.status

    @pytest.mark.parametrize("role", ["technician", "counter", "manager"])
    def test_is_open_to_the_roles_of_the_table(self, world, declared, role, request):
        user = request.getfixturevalue(role)
        path, body = CASES[declared.name](world)
        response = send(world, declared, path, body, by=program(user, world.site))
        assert response.status_code == (declared.status if role in ALLOWED[declared.action] else 403)


@pytest.mark.parametrize("declared", ACTS)
class TestEveryActOnAThing:
    def test_without_if_match_is_428(self, world, declared):
        path, body = CASES[declared.name](world)
        before = rows()
        response = world.program.send(method_of(declared), path, body)
        assert response.status_code == 428
        assert rows() == before

    def test_with_a_stale_if_match_is_412(self, world, declared):
        path, body = CASES[declared.name](world)
        current = world.program.get(thing_at(declared, path))["ETag"]
        before = rows()
        # A weak tag never matches, not even that of what is there.
        for tag in ('"stale"', '"a", "b"', f"W/{current}"):
            assert send(world, declared, path, body, if_match=tag).status_code == 412, tag
        assert rows() == before

    def test_a_malformed_if_match_is_400(self, world, declared):
        path, body = CASES[declared.name](world)
        for tag in ("nonsense", '"open', '"a" "b"', '"a",'):
            assert send(world, declared, path, body, if_match=tag).status_code == 400, tag

    def test_a_list_with_the_tag_will_do(self, world, declared):
        path, body = CASES[declared.name](world)
        current = world.program.get(thing_at(declared, path))["ETag"]
        response = send(world, declared, path, body, if_match=f'"other",  W/"weak" , {current}')
        assert response.status_code == 200

    def test_a_star_will_do(self, world, declared):
        path, body = CASES[declared.name](world)
        assert send(world, declared, path, body, if_match="*").status_code == 200

    def test_another_sites_thing_is_answered_like_a_missing_one(self, world, declared, stranger):
        path, body = CASES[declared.name](world)
        parts = path.split("/")
        if parts[1] in SHARED:  # the catalogue is no site's own
            assert declared.action is Action.EDIT_CATALOGUE
            return
        before = rows()
        foreign = send(world, declared, path, body, by=stranger, if_match="*")
        parts[2] = str(uuid.uuid4())
        missing = send(world, declared, "/".join(parts), body, by=stranger, if_match="*")
        assert foreign.status_code == missing.status_code == 404
        without_id = [
            {key: value for key, value in response.json().items() if key != "instance"}
            for response in (foreign, missing)
        ]
        assert without_id[0] == without_id[1]
        assert rows() == before

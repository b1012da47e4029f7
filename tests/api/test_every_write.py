"""Every write of the API, found in the resolver: who may not, what is needed, and that it happens once."""

import uuid

import pytest
from django.apps import apps
from django.db import connection, transaction

from api.operations import STATELESS
from shop.roles import ALLOWED, SCOPES, Action
from tests.api.lasting_world import (
    calculator,
    case,
    case_of_the_class,
    counter,
    manager,
    premises,
    premises_of_the_module,
    site,
    technician,
    world,
)
from tests.api.program import Program, program
from tests.api.writes import CASES, method_of, operations, thing_at, writes

__all__ = [
    "calculator",
    "case",
    "case_of_the_class",
    "counter",
    "manager",
    "premises",
    "premises_of_the_module",
    "site",
    "technician",
    "world",
]
# What is remembered of every request, whatever came of it.
NO_EFFECT = ("api.KeptAnswer", "api.TrailEntry", "sessions.Session")
TABLES = [
    (model._meta.label, model._meta.db_table)
    for model in apps.get_models()
    if model._meta.managed and model._meta.label not in NO_EFFECT
]
SHARED = ("shim-families", "engine-types", "suppliers")
WRITES = [pytest.param(declared, id=declared.name) for _, declared in writes()]
ROLES = ("technician", "counter", "manager")
BAD_KEYS = ("", '""', '"open', "with space", "é", "x" * 256, '"a";p=1', "a\tb")
BAD_TAGS = ("nonsense", '"open', '"a" "b"', '"a",')
# One reader takes the headers of every write: by default each write gets every third of the wrong ones.
EVERY = 3


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
    # One question for all: to make seventy with Django took longer than what they were asked about.
    counts = " UNION ALL ".join(f"SELECT '{label}', count(*) FROM \"{table}\"" for label, table in TABLES)
    with connection.cursor() as cursor:
        cursor.execute(counts)
        return dict(cursor.fetchall())


def send(world, declared, path, body, by=None, **options):
    """The request as it should be, by the world's own program or by another."""
    if declared.needs_if_match and "if_match" not in options:
        options["if_match"] = world.program.get(thing_at(declared, path))["ETag"]
    return (by or world.program).send(method_of(declared), path, body, **options)


@pytest.fixture
def some(declared, size):
    """`some(things)`: those of the things that are this write's to try."""
    number, every = [one.name for _, one in writes()].index(declared.name), size(EVERY, 1)
    return lambda things: things[number % every :: every]


@pytest.mark.parametrize("declared", WRITES, scope="class")
class TestEveryWrite:
    """Few tests that each look at much: making the thing to act on takes longer than acting on it."""

    def test_happens_once(self, case, declared, manager, request):
        world, path, body = case.world, case.path, case.body
        self.is_open_to_the_roles_of_the_table(world, declared, path, body, request)
        tag = {}
        if declared.needs_if_match:
            # A list that has the tag in it will do.
            current = world.program.get(thing_at(declared, path))["ETag"]
            tag = {"if_match": f'"other",  W/"weak" , {current}'}
        before = rows()
        first = world.program.send(method_of(declared), path, body, key="the-key", **tag)
        assert first.status_code == declared.status, first.content.decode()
        after = rows()
        assert after != before or declared.needs_if_match

        again = world.program.send(method_of(declared), path, body, key='"the-key"', **tag)
        assert (again.status_code, again.content) == (first.status_code, first.content)
        assert [again.get(name) for name in ("ETag", "Location", "Content-Type")] == [
            first.get(name) for name in ("ETag", "Location", "Content-Type")
        ]
        assert again["Idempotency-Replayed"] == "true"
        assert "Idempotency-Replayed" not in first
        assert rows() == after

        self.is_what_a_reader_then_sees(world, declared, path, first)
        self.is_no_answer_to_another_request(world, declared, path, body)
        # The key of another credential is another key.
        answer = send(world, declared, path, body, by=program(manager, world.site), key="the-key")
        assert "Idempotency-Replayed" not in answer

    def is_open_to_the_roles_of_the_table(self, world, declared, path, body, request):
        """Each does it, and it is taken back. The world's own program works in the manager's name."""
        for role in ROLES:
            if role == "manager" or role not in ALLOWED[declared.action]:
                continue
            with transaction.atomic():
                by = program(request.getfixturevalue(role), world.site)
                response = send(world, declared, path, body, by=by)
                assert response.status_code == declared.status, (role, response.content)
                transaction.set_rollback(True)

    def is_what_a_reader_then_sees(self, world, declared, path, response):
        if declared.many:
            things = path.rpartition("/")[0]
            for item in response.json()["items"]:
                assert world.program.get(f"{things}/{item['id']}").json() == item
            return
        where = response.get("Location", "").removeprefix("/api/v1") or thing_at(declared, path)
        seen = world.program.get(where)
        answered = response.json()
        if declared.tells:
            assert answered.pop(declared.tells)
            assert seen.json() == answered
        else:
            assert seen.content == response.content
        assert seen["ETag"] == response["ETag"]

    def is_no_answer_to_another_request(self, world, declared, path, body):
        after = rows()
        other = send(world, declared, path, body | {"note": "another"}, key="the-key")
        # Where the act takes no note the body is refused for that, which is as good: nothing happens.
        assert other.status_code == (422 if "note" in declared.body().fields else 400)
        if other.status_code == 422:
            assert other.json()["type"] == "/api/problems/idempotency-key-reused"
        assert rows() == after

        held = world.hold()
        after = rows()
        assert world.program.act(f"/holds/{held['id']}/release", {}, key="the-key").status_code == 422
        assert rows() == after

    def test_refusals_change_nothing_and_do_not_stick(self, case, declared, manager, request, some):
        world, path, body = case.world, case.path, case.body
        others = [scope for scope in SCOPES if scope not in declared.action.scopes]
        narrow = program(manager, world.site, scopes=others)
        barred = [role for role in ROLES if role not in ALLOWED[declared.action]]
        barred = [program(request.getfixturevalue(role), world.site) for role in barred]
        # Only then: an audit of all sites takes a manager of all of them.
        stranger = request.getfixturevalue("stranger") if declared.needs_if_match else None
        before = rows()

        for text in ("", "cg_nosuchke_nosuchkeynosuchkeynosuchkey"):
            response = send(world, declared, path, body, by=Program(text), key="k")
            assert response.status_code == 401
            assert response["WWW-Authenticate"].startswith('Bearer realm="coldgap"')

        response = send(world, declared, path, body, by=narrow)
        assert response.status_code == 403
        assert response.json()["scopes"] == sorted(declared.action.scopes)
        assert 'error="insufficient_scope"' in response["WWW-Authenticate"]
        for other in barred:
            assert send(world, declared, path, body, by=other).status_code == 403

        response = send(world, declared, path, body, key=False)
        assert response.status_code == 400
        assert response.json()["type"] == "/api/problems/idempotency-key-missing"

        for key in some(BAD_KEYS):
            response = send(world, declared, path, body, if_match="*", key=False, **{"Idempotency-Key": key})
            assert response.status_code == 400, key
            assert response.json()["type"] == "/api/problems/idempotency-key-invalid"

        response = send(world, declared, path, body | {"state": "held", "id": 1}, key="k")
        assert response.status_code == 400
        assert {error["pointer"] for error in response.json()["errors"]} >= {"/state"}

        response = send(world, declared, f"{path}?force=1", body, if_match="*")
        assert response.status_code == 400
        assert response.json()["errors"][0]["pointer"] == "?force"

        if declared.needs_if_match:
            self.is_refused_without_the_tag(world, declared, path, body, some)
            self.is_refused_to_another_site(world, declared, path, body, stranger)
        assert rows() == before
        star = {"if_match": "*"} if declared.needs_if_match else {}
        assert send(world, declared, path, body, key="k", **star).status_code == declared.status

    def is_refused_without_the_tag(self, world, declared, path, body, some):
        assert world.program.send(method_of(declared), path, body).status_code == 428
        current = world.program.get(thing_at(declared, path))["ETag"]
        # A weak tag never matches, not even that of what is there.
        for tag in some(('"stale"', '"a", "b"', f"W/{current}")):
            assert send(world, declared, path, body, if_match=tag).status_code == 412, tag
        for tag in some(BAD_TAGS):
            assert send(world, declared, path, body, if_match=tag).status_code == 400, tag

    def is_refused_to_another_site(self, world, declared, path, body, stranger):
        parts = path.split("/")
        if parts[1] in SHARED:  # the catalogue is no site's own
            assert declared.action is Action.EDIT_CATALOGUE
            return
        foreign = send(world, declared, path, body, by=stranger, if_match="*")
        parts[2] = str(uuid.uuid4())
        missing = send(world, declared, "/".join(parts), body, by=stranger, if_match="*")
        assert foreign.status_code == missing.status_code == 404
        without_id = [
            {key: value for key, value in response.json().items() if key != "instance"}
            for response in (foreign, missing)
        ]
        assert without_id[0] == without_id[1]

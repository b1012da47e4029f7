"""API keys (bar S7): shown once, stored hashed, bounded by scope, site, person and time, revoked at once."""

import re
import threading
import time
from datetime import timedelta
from io import StringIO

import pytest
from django.apps import apps
from django.contrib.auth.models import Permission
from django.contrib.contenttypes.models import ContentType
from django.core.management import CommandError, call_command
from django.db import connections
from django.utils import timezone

from api import limits
from api.models import ApiKey
from api.services.keys import issue_key, revoke_key
from shop.actor import actor_for_user, service_actor
from shop.db import atomic_write
from shop.errors import Forbidden, Invalid, NotFound
from shop.models import Membership, Role
from tests.api.program import Program, program


def issue(user, *sites, **options):
    options = {"actor": service_actor(), "scopes": ["read"], "name": "calculator"} | options
    return issue_key(at=timezone.now(), user=user, sites=sites, **options)


class TestIssue:
    def test_the_text_is_long_plain_and_of_its_own(self, manager, site):
        texts = {issue(manager, site)[1] for _ in range(50)}
        assert len(texts) == 50
        for text in texts:
            assert re.fullmatch(r"cg_[a-z0-9]{8}_[A-Za-z0-9_-]{43}", text)

    def test_no_column_of_the_database_is_a_usable_key(self, manager, site):
        _, text = issue(manager, site)
        assert Program(text).get("/me").status_code == 200
        # What is the same in every database: five hundred names.
        tried = {
            str(value)
            for model in (ContentType, Permission)
            for row in model.objects.values_list()[5:]
            for value in row
        }
        for model in apps.get_models():
            for row in model._default_manager.all():
                for field in row._meta.concrete_fields:
                    value = str(field.value_from_object(row))
                    assert text not in value
                    if value.isascii() and value.isprintable() and value not in tried:
                        tried.add(value)
                        limits.here.clear()
                        assert Program(value).get("/me").status_code == 401, (model, field.name)

    def test_a_key_without_site_scope_name_or_role_is_refused(self, manager, site, other_site):
        for wrong in (
            {"scopes": []},
            {"scopes": ["everything"]},
            {"name": " "},
            {"requests_per_minute": 0},
            {"expires_at": timezone.now()},
        ):
            with pytest.raises(Invalid):
                issue(manager, site, **wrong)
        with pytest.raises(Invalid):
            issue(manager)
        with pytest.raises(Invalid, match="no role at Harbour Street"):
            issue(manager, other_site)
        assert ApiKey.objects.count() == 0

    def test_only_a_manager_of_the_site_issues_keys(self, manager, technician, counter, outsider, site):
        for user in (technician, counter):
            with pytest.raises(Forbidden):
                issue(user, site, actor=actor_for_user(user))
        with pytest.raises(NotFound):
            issue(manager, site, actor=actor_for_user(outsider))
        issue(technician, site, actor=actor_for_user(manager))


class TestUse:
    def test_the_actor_is_named_in_the_ledger(self, world):
        world.program.done("/stock/count-in", {"note": "found", "lines": [world.line()]})
        (movement,) = world.program.get("/movements?reason=count&limit=1").json()["items"]
        assert movement["actor"] == "Bench calculator (key of Mara Quist)"

    def test_revoked_is_refused_at_once(self, manager, site, outsider):
        key, text = issue(manager, site)
        with pytest.raises(NotFound):
            revoke_key(key=key, actor=actor_for_user(outsider), at=timezone.now())
        assert Program(text).get("/me").status_code == 200
        revoke_key(key=key, actor=actor_for_user(manager), at=timezone.now())
        revoke_key(key=key, actor=actor_for_user(manager), at=timezone.now())
        assert Program(text).get("/me").status_code == 401

    def test_expired_is_refused(self, manager, site, time_machine):
        at = timezone.now()
        _, text = issue(manager, site, expires_at=at + timedelta(hours=1))
        assert Program(text).get("/me").status_code == 200
        time_machine.move_to(at + timedelta(hours=1), tick=False)
        assert Program(text).get("/me").status_code == 401

    @pytest.mark.parametrize(
        "spoil",
        [
            lambda text: text[:-1],
            lambda text: text + "x",
            str.upper,
            lambda text: f" {text}x",
            lambda text: text.replace("cg_", ""),
            lambda text: "é" + text,
            lambda text: "x" * 10_000,
            lambda text: "",
        ],
    )
    def test_a_spoilt_key_is_401(self, manager, site, spoil):
        _, text = issue(manager, site)
        response = Program("").get("/me", Authorization=f"Bearer {spoil(text)}")
        assert response.status_code == 401
        assert response.json()["type"] == "/api/problems/invalid-key"
        assert 'error="invalid_token"' in response["WWW-Authenticate"]

    @pytest.mark.parametrize("scheme", ["Basic", "Token", "bearer2", ""])
    def test_another_scheme_is_401(self, manager, site, scheme):
        _, text = issue(manager, site)
        assert Program("").get("/me", Authorization=f"{scheme} {text}").status_code == 401

    def test_the_scheme_is_read_in_any_case(self, manager, site):
        _, text = issue(manager, site)
        assert Program("").get("/me", Authorization=f"bEARER {text}").status_code == 200

    @pytest.mark.parametrize("name", ["key", "api_key", "access_token", "token", "nonsense"])
    def test_a_key_in_the_query_is_400(self, manager, site, name):
        _, text = issue(manager, site)
        response = Program("").get(f"/me?{name}={text}")
        assert response.status_code == 400
        assert response.json()["type"] == "/api/problems/key-in-address"
        assert text not in response.content.decode()

    def test_it_sees_only_its_own_sites(self, manager, site, other_site):
        Membership.objects.create(user=manager, site=other_site, role=Role.TECHNICIAN)
        one, both = program(manager, site), program(manager, site, other_site)
        assert [entry["code"] for entry in one.get("/sites").json()["items"]] == ["north"]
        assert one.get("/sites/harbour").status_code == 404
        assert both.get("/me").json()["roles"] == [
            {"site": "harbour", "role": "technician"},
            {"site": "north", "role": "manager"},
        ]

    def test_a_role_taken_away_is_gone_at_once(self, manager, site):
        key = program(manager, site)
        manager.memberships.all().delete()
        assert key.get("/sites").status_code == 403

    def test_last_use_is_noted_once_a_minute(self, manager, site, time_machine):
        at = timezone.now()
        key, text = issue(manager, site)
        time_machine.move_to(at, tick=False)
        for seconds, noted in ((0, 0), (59, 0), (60, 60), (90, 60), (121, 121)):
            time_machine.move_to(at + timedelta(seconds=seconds), tick=False)
            Program(text).get("/me")
            key.refresh_from_db()
            assert key.last_used_at == at + timedelta(seconds=noted)


class TestWhileSomebodyWrites:
    """Nothing that is noted about a reader keeps the reader waiting."""

    @pytest.fixture
    def key_and_text(self, transactional_db, manager, site):
        return issue(manager, site)

    @pytest.fixture
    def writing(self, key_and_text):
        """Somebody has the write lock, on PostgreSQL the key's row, until the test is over."""
        has_it, over = threading.Event(), threading.Event()

        def write():
            with atomic_write():
                ApiKey.objects.select_for_update().get(pk=key_and_text[0].pk)
                has_it.set()
                over.wait(30)
            connections.close_all()

        writer = threading.Thread(target=write, daemon=True)
        writer.start()
        assert has_it.wait(10)
        yield
        over.set()
        writer.join(10)

    def test_a_reader_is_answered_and_the_use_noted_another_time(self, key_and_text, request):
        key, text = key_and_text
        reader = Program(text)
        assert reader.get("/stock").status_code == 200
        ApiKey.objects.filter(pk=key.pk).update(last_used_at=None)
        request.getfixturevalue("writing")
        began = time.monotonic()
        assert reader.get("/stock").status_code == 200
        assert time.monotonic() - began < 1
        key.refresh_from_db()
        assert key.last_used_at is None

    def test_while_nobody_does_it_is_noted(self, key_and_text):
        key, text = key_and_text
        assert Program(text).get("/stock").status_code == 200
        key.refresh_from_db()
        assert key.last_used_at is not None


class TestCommand:
    def test_issues_a_key_that_works(self, manager, site):
        out = StringIO()
        call_command(
            "issue_key", name="calculator", user="mara", site=["north"], scope=["read"], days=3, stdout=out
        )
        text = re.search(r"API key: (\S+)", out.getvalue())[1]
        assert Program(text).get("/me").json()["scopes"] == ["read"]

    def test_names_what_is_wrong(self, manager, site):
        with pytest.raises(CommandError, match="Nobody logs in as nobody"):
            call_command("issue_key", name="x", user="nobody", site=["north"], scope=["read"])
        with pytest.raises(CommandError, match="no site south"):
            call_command("issue_key", name="x", user="mara", site=["south"], scope=["read"])
        with pytest.raises(CommandError, match="future"):
            call_command("issue_key", name="x", user="mara", site=["north"], scope=["read"], days=0)

"""What the settings promise about people, cookies, headers and secrets."""

import os
import stat
import subprocess
import sys
import threading

import pytest
from django.contrib.auth.hashers import identify_hasher, make_password
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.urls import get_resolver
from django.urls.resolvers import URLPattern

from shop.models import User
from shop.secret_key import read_or_make_secret_key
from shop.settings import BASE_DIR

CSP = {
    "default-src 'none'",
    "script-src 'self'",
    "style-src 'self'",
    "img-src 'self' data:",
    "font-src 'self'",
    "connect-src 'self'",
    "form-action 'self'",
    "base-uri 'none'",
    "object-src 'none'",
    "frame-ancestors 'none'",
}


@pytest.mark.django_db
@pytest.mark.parametrize("address", ["/healthz", "/no/such/page", "/static/django_htmx/htmx-2.min.js"])
def test_every_answer_carries_the_security_headers(client, address):
    """Bar S4: pages, errors and static files alike."""
    answer = client.get(address)
    answer.close()
    assert set(answer["Content-Security-Policy"].split("; ")) == CSP
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Referrer-Policy"] == "same-origin"
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["Cross-Origin-Opener-Policy"] == "same-origin"


@pytest.mark.parametrize(
    "password",
    ["elevenchars", "password1234", "ines.varga.12"],
)
def test_short_common_and_similar_passwords_are_refused(password):
    """Bar S2."""
    with pytest.raises(ValidationError):
        validate_password(password, User(username="ines.varga"))


@pytest.mark.parametrize("password", ["739284615502", "quiet blue lathe", "ü" * 128, "  spaces count  "])
def test_any_composition_and_length_will_do(password):
    validate_password(password, User(username="ines"))
    assert User(password=make_password(password)).check_password(password)
    assert not User(password=make_password(password)).check_password(password.strip() + "x")


def test_passwords_are_kept_by_argon2_at_the_strength_that_owasp_names():
    """OWASP Password Storage Cheat Sheet: Argon2id with m=47104 (46 MiB), t=1, p=1."""
    kept = make_password("quiet blue lathe")
    assert identify_hasher(kept).algorithm == "argon2"
    assert kept.startswith("argon2$argon2id$v=19$m=47104,t=1,p=1$")


def settings_in(environment, *names):
    code = f"from shop import settings; print({', '.join(f'settings.{name}' for name in names)}, sep='|')"
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=environment,
        cwd=BASE_DIR,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.strip().split("|")


def test_cookies_are_bound_to_the_host_in_production():
    production = os.environ | {"COLDGAP_ENV": "production", "COLDGAP_SECRET_KEY": "k" * 60}
    names = ("SESSION_COOKIE_NAME", "CSRF_COOKIE_NAME", "SESSION_COOKIE_SECURE", "CSRF_COOKIE_SECURE")
    assert settings_in(production, *names) == ["__Host-sid", "__Host-csrf", "True", "True"]


def test_with_nothing_set_it_is_the_embedded_default(tmp_path):
    bare = {"PATH": os.environ["PATH"], "COLDGAP_DATA_DIR": str(tmp_path / "data")}
    engine, name, debug, redis = settings_in(
        bare, "DATABASES['default']['ENGINE']", "DATABASES['default']['NAME']", "DEBUG", "REDIS_URL"
    )
    assert (engine, name) == ("shop.db.sqlite", str(tmp_path / "data" / "demo.sqlite3"))
    assert (debug, redis) == ("False", "")
    key = tmp_path / "data" / "secret_key"
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert settings_in(bare, "SECRET_KEY") == [key.read_text()]


def test_those_who_start_at_once_agree_on_one_key(tmp_path):
    keys, path = [], tmp_path / "new" / "secret_key"
    start = threading.Barrier(8)

    def read():
        start.wait()
        keys.append(read_or_make_secret_key(path))

    crowd = [threading.Thread(target=read) for _ in range(8)]
    for thread in crowd:
        thread.start()
    for thread in crowd:
        thread.join()
    assert len(set(keys)) == 1
    assert len(keys[0]) >= 64
    assert [file.name for file in path.parent.iterdir()] == ["secret_key"]


# --- What is open to anyone (bar S9) ---------------------------------------------------------------------

PUBLIC_PAGES = {"healthz", "readyz", "login"}


def routes(patterns, prefix=""):
    for pattern in patterns:
        if isinstance(pattern, URLPattern):
            yield prefix + str(pattern.pattern), pattern
        else:
            yield from routes(pattern.url_patterns, prefix + str(pattern.pattern))


def test_the_pages_that_need_no_log_in_are_these():
    """Views of the API are closed by its own default permission, which has tests of its own."""
    public = {
        pattern.name or address
        for address, pattern in routes(get_resolver().url_patterns)
        if not getattr(pattern.callback, "login_required", True) and not address.startswith("api/")
    }
    assert public == PUBLIC_PAGES

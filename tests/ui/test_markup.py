"""What no template may hold: script, style or an address that the policy would stop (bar S4)."""

import re
from pathlib import Path

import pytest
from django.urls import reverse

from jobs.models import Job
from jobs.services.vehicles import enter_vehicle
from tests.jobs.shop import AT
from tests.ui.walk import pages_of

ROOT = Path(__file__).resolve().parents[2]
TEMPLATES = sorted(
    path for app in ("shop", "inventory", "jobs") for path in (ROOT / app / "templates").rglob("*.html")
)
SHEETS = sorted((ROOT / "shop/static/shop").rglob("*.css"))
SCRIPTS = sorted((ROOT / "shop/static/shop").rglob("*.js"))
FORBIDDEN = {
    "a style in an attribute": re.compile(r"""\sstyle\s*="""),
    "a handler in an attribute": re.compile(r"""\son[a-z]+\s*="""),
    "an inline style": re.compile(r"<style"),
    "an inline script": re.compile(r"<script(?![^>]*\ssrc=)"),
    "an address outside": re.compile(r"(?:https?:)?//(?!www\.w3\.org)[a-z0-9]", re.IGNORECASE),
    "a javascript address": re.compile(r"javascript:", re.IGNORECASE),
    "an htmx expression": re.compile(r"hx-on|hx-vars|js:"),
    "text that is not escaped": re.compile(r"\|\s*safe\b|autoescape off"),
}
HOSTILE = "<img src=x onerror=alert(1)>\"'{{ 7*7 }}"


def names(paths):
    return [str(path.relative_to(ROOT)) for path in paths]


def test_there_is_something_to_look_at():
    assert len(TEMPLATES) > 40
    assert len(SHEETS) > 6
    assert len(SCRIPTS) >= 3


@pytest.mark.parametrize("path", TEMPLATES, ids=names(TEMPLATES))
def test_templates_hold_nothing_that_the_policy_stops(path):
    text = path.read_text(encoding="utf-8")
    found = [what for what, pattern in FORBIDDEN.items() if pattern.search(text)]
    assert found == []


@pytest.mark.parametrize(
    ("planted", "what"),
    [
        ('<p style="color:red">', "a style in an attribute"),
        ('<button onclick="x()">', "a handler in an attribute"),
        ("<script>x()</script>", "an inline script"),
        ('<script src="//cdn.example/x.js"></script>', "an address outside"),
        ("{{ note|safe }}", "text that is not escaped"),
    ],
)
def test_and_what_is_planted_is_found(planted, what):
    assert FORBIDDEN[what].search(planted)


@pytest.mark.parametrize("path", [*SHEETS, *SCRIPTS], ids=names([*SHEETS, *SCRIPTS]))
def test_sheets_and_scripts_load_nothing_from_outside(path):
    text = path.read_text(encoding="utf-8")
    assert not re.search(r"url\(\s*['\"]?(?:https?:)?//|@import|https?://", text)
    assert not re.search(r"\beval\(|new Function|innerHTML|document\.write", text)


@pytest.mark.django_db
def test_what_people_key_in_is_shown_as_text(shop, workshop, office, tech):
    vehicle = enter_vehicle(
        site=shop.site,
        actor=tech,
        at=AT,
        registration="<B>X</B>",
        description=HOSTILE,
        engine_type=workshop.engine,
        note=HOSTILE,
    )
    workshop.job(vehicle=vehicle, note=HOSTILE, odometer=HOSTILE[:40])
    assert Job.objects.filter(vehicle=vehicle).exists()
    pages = [address for _, address in pages_of(shop.site)]
    job = Job.objects.get(vehicle=vehicle)
    pages += [reverse(name, args=[shop.site.code, job.pk]) for name in ("job", "paper", "readings", "stop")]
    pages.append(reverse("vehicle", args=[shop.site.code, vehicle.pk]))
    pages.append(reverse("vehicles", args=[shop.site.code]) + "?q=<img src=x onerror=alert(1)>")
    seen = 0
    for address in pages:
        html = office.client.get(address).content.decode()
        assert "<img" not in html, address
        assert "<B>X</B>" not in html, address
        assert "49" not in re.findall(r"onerror=alert\(1\)&gt;&quot;&#x27;(.{2})", html), address
        seen += "&lt;img src=x" in html
    assert seen >= 5

"""One engine from cold readings to sign-off in the pages: by keyboard alone, and by touch.

Both leave the same books, fits and readings as a program that does the same job through the API.
"""

from contextlib import contextmanager
from dataclasses import dataclass

import pytest
from playwright.sync_api import Page, expect

from jobs.models import Job
from shop.models import Site
from tests.api.program import program
from tests.browser.conftest import PASSWORD, address_of
from tests.browser.ledger import booked, fitted, read
from tests.jobs.shop import NEW, USED, Workshop, make_engine, make_family

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

BEFORE = {"1-IN": "5", "1-EX": "17", "2-IN": "8", "2-EX": "12"}
SHIMS = {"1-IN": "2.650", "1-EX": "2.550"}
AFTER = {"1-IN": "8", "1-EX": "12"}


@dataclass
class Bench:
    """A workshop with one engine waiting before an empty bay."""

    workshop: Workshop

    @property
    def site(self):
        return self.workshop.site

    @property
    def job(self):
        return Job.objects.get(site=self.site)


def bench(site: Site, tech, family, engine) -> Bench:
    workshop = Workshop(site=site, tech=tech, family=family, engine=engine)
    workshop.stock(("2.575", NEW, 2), ("2.600", USED, 1), ("2.675", NEW, 2), ("2.700", USED, 1))
    workshop.bay()
    return Bench(workshop=workshop)


@pytest.fixture
def benches(site, other_site, tech, service):
    """The technician's, and one alike at another site for the program."""
    family = make_family()
    engine = make_engine(family)
    ours, theirs = bench(site, tech, family, engine), bench(other_site, service, family, engine)
    for each in (ours, theirs):
        each.workshop.tech = tech if each is ours else service
        each.workshop.vehicle("N 100")
    return ours, theirs


def by_api(theirs: Bench, outsider) -> None:
    """The same job by a program."""
    calculator = program(outsider, theirs.site)

    def thou(figure):
        return {"value": figure, "unit": "thou"}

    vehicle = theirs.site.vehicles.get()
    body = {"vehicle": str(vehicle.pk), "bay": theirs.workshop.bays[0].number}
    job = f"/jobs/{calculator.done('/jobs', body)['id']}"
    calculator.done(
        f"{job}/readings", {"readings": {label: {"passes": thou(keyed)} for label, keyed in BEFORE.items()}}
    )
    shims = {
        label: {"thickness": {"value": keyed, "unit": "mm"}, "known_by": "measured"}
        for label, keyed in SHIMS.items()
    }
    calculator.done(f"{job}/shims", {"shims": shims})
    for act in ("plan", "hold", "hand-out", "fit"):
        calculator.done(f"{job}/{act}")
    calculator.done(
        f"{job}/readings", {"readings": {label: {"passes": thou(keyed)} for label, keyed in AFTER.items()}}
    )
    calculator.done(f"{job}/sign-off")


def left_alike(ours: Bench, theirs: Bench) -> None:
    assert ours.job.state == theirs.job.state == Job.State.SIGNED_OFF
    assert booked(ours.site) == booked(theirs.site)
    assert [reason for reason, _ in booked(ours.site)] == ["hand_out", "pull", "fit", "recover"]
    assert fitted(ours.job) == fitted(theirs.job)
    assert len(fitted(ours.job)) == 2
    assert read(ours.job) == read(theirs.job)


@contextmanager
def leading_on(page: Page):
    """Wait until the page is another one, loaded anew or refreshed in place."""
    page.evaluate("document.querySelector('#page').dataset.old = 'yes'")
    yield
    page.locator("#page:not([data-old])").wait_for()
    page.wait_for_load_state("networkidle")


# --- By keyboard ----------------------------------------------------------------------------------------


def focused(page: Page) -> str:
    """What has the focus, in the words that a screen reader would say first."""
    return page.evaluate(
        """() => {
          const it = document.activeElement;
          const label = it.labels && it.labels[0] ? it.labels[0].innerText : it.innerText || "";
          return (label || it.getAttribute("aria-label") || it.id || it.tagName).replace(/\\s+/g, " ").trim();
        }"""
    )


def tab_to(page: Page, words: str, most: int = 60) -> None:
    """Press Tab until the thing with these words has the focus."""
    for _ in range(most):
        if f"{focused(page)} ".startswith(f"{words} "):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{most} tabs did not lead to {words!r} on {page.url}; now at {focused(page)!r}")


def press(page: Page, words: str) -> None:
    """Go to a button or link and press it, then wait for the page that it leads to."""
    tab_to(page, words)
    with leading_on(page):
        page.keyboard.press("Enter")


def key_in(page: Page, figures: dict[str, str], kind: str) -> None:
    """Type figure, Enter, figure, Enter: Enter walks to the next valve."""
    for label, figure in figures.items():
        expect(page.locator(f"#id_{kind}-{label}")).to_be_focused()
        page.keyboard.type(figure)
        page.keyboard.press("Enter")


def test_by_keyboard_alone(benches, open_browser, may_log_in, technician, outsider):
    ours, theirs = benches
    may_log_in(technician)
    page = open_browser("wide").page
    page.goto("/")
    tab_to(page, "Name")
    page.keyboard.type("ines")
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    with leading_on(page):
        page.keyboard.press("Enter")

    press(page, "Open a job")
    tab_to(page, "Vehicle")
    page.keyboard.type("N 100")
    tab_to(page, "Bay")
    page.keyboard.type("Bay 1")
    assert page.evaluate("document.activeElement.selectedOptions[0].text") == "Bay 1"
    press(page, "Open the job")

    assert address_of(page).endswith("/readings")
    tab_to(page, "Passes on 1-IN")
    key_in(page, BEFORE, "passes")
    expect(page.locator("#say-1-IN")).to_contain_text("Tight")
    expect(page.locator("#say-1-EX")).to_contain_text("Loose")
    expect(page.locator("#say-2-IN")).to_contain_text("In spec")
    press(page, "Keep, on to the shims")

    tab_to(page, "Shim of 1-IN")
    key_in(page, SHIMS, "thickness")
    press(page, "Keep, on to the plan")

    press(page, "Plan")
    expect(page.get_by_text("2 valves are opened.")).to_be_visible()
    press(page, "Hold these shims")
    press(page, "Hand out to tray")
    press(page, "Fitted")

    assert address_of(page).endswith("/readings")
    tab_to(page, "Passes on 1-IN")
    key_in(page, AFTER, "passes")
    press(page, "Keep, on to signing off")
    press(page, "Sign off")
    expect(page.get_by_text("is signed off.")).to_be_visible()

    by_api(theirs, outsider)
    left_alike(ours, theirs)


# --- By touch -------------------------------------------------------------------------------------------


def tap(page: Page, words: str, role: str = "button") -> None:
    with leading_on(page):
        page.get_by_role(role, name=words).first.tap()


def tap_in(page: Page, figures: dict[str, str], kind: str) -> None:
    """Tap a field, and what the tablet's own keyboard would send."""
    for label, figure in figures.items():
        page.locator(f"#id_{kind}-{label}").tap()
        page.keyboard.insert_text(figure)


def test_by_touch(benches, open_browser, may_log_in, technician, outsider):
    ours, theirs = benches
    may_log_in(technician)
    page = open_browser("tablet", has_touch=True).page
    page.goto("/")
    page.get_by_label("Name").tap()
    page.keyboard.insert_text("ines")
    page.get_by_label("Password").tap()
    page.keyboard.insert_text(PASSWORD)
    tap(page, "Log in")

    tap(page, "Vehicles", "link")
    tap(page, "Open a job on N 100", "link")
    page.get_by_label("Bay").select_option(label="Bay 1")
    tap(page, "Open the job")

    tap_in(page, BEFORE, "passes")
    tap(page, "Keep, on to the shims")
    tap_in(page, SHIMS, "thickness")
    tap(page, "Keep, on to the plan")
    tap(page, "Plan")
    expect(page.get_by_text("2 valves are opened.")).to_be_visible()
    tap(page, "Hold these shims")
    tap(page, "Hand out to tray")
    tap(page, "Fitted")
    tap_in(page, AFTER, "passes")
    tap(page, "Keep, on to signing off")
    tap(page, "Sign off")
    expect(page.get_by_text("is signed off.")).to_be_visible()

    by_api(theirs, outsider)
    left_alike(ours, theirs)

"""What only a real browser shows: verdicts in place, half-keyed figures that survive, focus, the lock."""

import pytest
from playwright.sync_api import expect

from jobs.models import ClearanceReading
from tests.browser.conftest import PASSWORD, address_of
from tests.jobs.shop import make_engine
from tests.ui.walk import pages_of

OUT_OF_ITS_CELL = """
() => [...document.querySelectorAll(".cell *")].filter((it) => {
  const box = it.getBoundingClientRect();
  const edge = it.closest(".cell").getBoundingClientRect().right + 1;
  return box.width && !it.closest(".unseen") && box.right > edge;
}).map((it) => it.outerHTML.slice(0, 80))
"""

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def readings(job):
    return f"/at/{job.site.code}/jobs/{job.pk}/readings"


@pytest.fixture
def job(workshop):
    return workshop.job()


class TestTheSheet:
    def test_a_verdict_comes_beside_the_field_while_the_next_one_is_keyed(self, technician, logged_in, job):
        page = logged_in(technician).page
        page.goto(readings(job))
        page.locator("#id_passes-1-IN").fill("5")
        page.keyboard.press("Enter")
        expect(page.locator("#id_passes-1-EX")).to_be_focused()
        expect(page.locator("#say-1-IN")).to_contain_text("Tight")
        expect(page.locator("#say-1-IN")).to_contain_text("5 thou")
        assert ClearanceReading.objects.get(valve__job=job).passes_keyed == "5 thou"
        # The focus stays where the person is keying.
        expect(page.locator("#id_passes-1-EX")).to_be_focused()

    def test_the_fields_unit_makes_way_for_one_that_is_keyed(self, technician, logged_in, job):
        page = logged_in(technician).page
        page.goto(readings(job))
        unit = page.locator("#id_passes-1-IN + .unit")
        expect(unit).to_have_text("thou")
        expect(unit).to_be_visible()
        page.locator("#id_passes-1-IN").fill("0.20 mm")
        expect(unit).to_be_hidden()
        page.locator("#id_passes-1-IN").fill("8")
        expect(unit).to_be_visible()

    def test_three_valves_side_by_side_stay_inside_their_cells(self, technician, logged_in, workshop):
        engine = make_engine(workshop.family, "sport-5", intake=3, exhaust=2)
        job = workshop.job(workshop.vehicle("N 500", engine))
        # "At the limit" is the longest of the verdicts: ten thou pass, eleven need not.
        felt = {"1-IN-L": "10 thou", "1-IN-R": "5 thou", "1-EX-R": "14 thou"}
        workshop.read(job, felt, {"1-IN-R": "2.675 mm"})
        page = logged_in(technician).page
        for name in ("readings", "shims"):
            page.goto(f"/at/{job.site.code}/jobs/{job.pk}/{name}")
            for width in (320, 360, 390, 820, 1180, 1280, 1440):
                page.set_viewport_size({"width": width, "height": 900})
                assert page.evaluate(OUT_OF_ITS_CELL) == [], (name, width)

    def test_a_wrong_figure_is_marked_and_stays(self, technician, logged_in, job):
        page = logged_in(technician).page
        page.goto(readings(job))
        field = page.locator("#id_passes-1-IN")
        field.fill("8 mm")
        page.keyboard.press("Enter")
        expect(page.locator("#say-1-IN")).to_contain_text("8 thou")
        expect(field).to_have_attribute("aria-invalid", "true")
        expect(field).to_have_value("8 mm")
        field.fill("8")
        page.keyboard.press("Enter")
        expect(page.locator("#say-1-IN")).to_contain_text("In spec")
        expect(field).not_to_have_attribute("aria-invalid", "true")

    def test_after_a_refused_sheet_the_first_wrong_field_has_the_focus(self, technician, logged_in, job):
        watched = logged_in(technician, java_script_enabled=False)
        page = watched.page
        page.goto(readings(job))
        page.fill("#id_passes-1-IN", "5")
        page.fill("#id_passes-1-EX", "12 furlong")
        page.get_by_role("button", name="Keep, on to the shims").click()
        expect(page.locator("#id_passes-1-EX")).to_be_focused()
        expect(page.locator("#say-1-EX")).to_contain_text("furlong")
        expect(page.locator("#id_passes-1-IN")).to_have_value("5")

    def test_half_keyed_figures_are_there_again_when_the_page_is(self, technician, logged_in, job):
        page = logged_in(technician).page
        page.goto(readings(job))
        page.locator("#id_passes-2-EX").press_sequentially("1")
        page.reload()
        expect(page.locator("#id_passes-2-EX")).to_have_value("1")
        page.locator("#id_passes-2-EX").press("End")
        page.locator("#id_passes-2-EX").press_sequentially("2")
        page.keyboard.press("Tab")
        expect(page.locator("#say-2-EX")).to_contain_text("In spec")
        # Once it is kept the draft is gone: what somebody else keys in later is what one sees.
        kept = page.evaluate("Object.keys(sessionStorage).filter((key) => key.startsWith('draft:'))")
        assert kept == []

    def test_somebody_elses_figure_is_not_written_over(self, technician, logged_in, job, workshop, tech):
        page = logged_in(technician).page
        page.goto(readings(job))
        workshop.read(job, {"1-IN": "9 thou"})
        page.locator("#id_passes-1-IN").fill("5")
        page.keyboard.press("Tab")
        expect(page.locator("#say-1-IN")).to_contain_text("keyed in 9 thou here meanwhile")
        # Said once, it is meant when it is sent again.
        page.locator("#id_passes-1-IN").fill("5.0")
        page.keyboard.press("Tab")
        expect(page.locator("#say-1-IN")).to_contain_text("Tight")

    def test_arrows_walk_too(self, technician, logged_in, job):
        page = logged_in(technician).page
        page.goto(readings(job))
        page.locator("#id_passes-1-IN").focus()
        for expected in ("1-EX", "2-IN", "2-EX"):
            page.keyboard.press("ArrowDown")
            expect(page.locator(f"#id_passes-{expected}")).to_be_focused()
        page.keyboard.press("ArrowUp")
        expect(page.locator("#id_passes-2-IN")).to_be_focused()


class TestTheIdleLock:
    @pytest.fixture
    def quick(self, settings):
        settings.COLDGAP = settings.COLDGAP | {"IDLE_SECONDS": 8}

    def test_it_warns_and_what_was_half_keyed_is_there_after_logging_in_again(
        self, quick, technician, may_log_in, logged_in, job
    ):
        may_log_in(technician)
        page = logged_in(technician).page
        page.goto(readings(job))
        page.locator("#id_passes-1-IN").press_sequentially("7")
        warning = page.get_by_role("dialog")
        expect(warning).to_be_visible(timeout=10_000)
        expect(warning).to_contain_text("what is half keyed stays")
        expect(page.get_by_label("Password")).to_be_visible(timeout=15_000)
        page.get_by_label("Name").fill("ines")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Log in").click()
        expect(page.locator("#id_passes-1-IN")).to_have_value("7")
        assert address_of(page) == readings(job)

    def test_staying_takes_one_tap(self, quick, technician, logged_in, job):
        page = logged_in(technician).page
        page.goto(readings(job))
        expect(page.get_by_role("dialog")).to_be_visible(timeout=10_000)
        page.get_by_role("button", name="Stay logged in").click()
        expect(page.get_by_role("dialog")).to_be_hidden()
        page.wait_for_timeout(6_000)
        page.reload()
        assert address_of(page) == readings(job)


class TestFocus:
    def test_the_ring_is_seen_on_everything_that_takes_the_focus(self, shop, boss_of_both, logged_in):
        """W3: a ring of 2 px or more of its own colour, and the middle of what has the focus not covered."""
        page = logged_in(boss_of_both, "wide").page
        names = {"board", "open_job", "to_buy", "readings-open", "plan-planned", "fitting-held", "measure"}
        for name, address in pages_of(shop.site):
            if name not in names:
                continue
            page.goto(address)
            for _ in range(25):
                page.keyboard.press("Tab")
                seen = page.evaluate(
                    """() => {
                      const it = document.activeElement;
                      if (it === document.body) return null;
                      const ringed = [it, it.closest("label")].filter(Boolean).some((one) => {
                        const style = getComputedStyle(one);
                        return style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
                      });
                      const box = it.getBoundingClientRect();
                      const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
                      const same = top && (it.contains(top) || top.contains(it) || top.closest("label"));
                      const clear = !top || Boolean(same);
                      return { ringed, clear, what: it.outerHTML.slice(0, 100) };
                    }"""
                )
                if seen is None:
                    break
                assert seen["ringed"], f"{name}: {seen['what']}"
                assert seen["clear"], f"{name}: {seen['what']}"

    def test_a_refusal_takes_the_focus(self, technician, logged_in, workshop):
        job = workshop.read(
            workshop.job(), {"1-IN": "8 thou", "1-EX": "12 thou", "2-IN": "8 thou", "2-EX": "12 thou"}
        )
        page = logged_in(technician).page
        page.goto(f"/at/{job.site.code}/jobs/{job.pk}/plan")
        workshop.read(job, {"1-IN": "9 thou"})
        page.get_by_role("button", name="Plan", exact=True).click()
        expect(page.get_by_role("alert")).to_be_focused()
        expect(page.get_by_role("alert")).to_contain_text("since")


def test_a_double_tap_does_it_once(technician, logged_in, workshop):
    job = workshop.read(
        workshop.job(), {"1-IN": "8 thou", "1-EX": "12 thou", "2-IN": "8 thou", "2-EX": "12 thou"}
    )
    page = logged_in(technician).page
    page.goto(f"/at/{job.site.code}/jobs/{job.pk}/plan")
    page.get_by_role("button", name="Plan", exact=True).dblclick()
    expect(page.get_by_text("Plan 1 is made.")).to_be_visible()
    page.wait_for_load_state("networkidle")
    assert job.plans.count() == 1


def test_without_script_a_whole_sheet_is_kept(technician, logged_in, job):
    page = logged_in(technician, java_script_enabled=False).page
    page.goto(readings(job))
    for label, figure in {"1-IN": "8", "1-EX": "12", "2-IN": "8", "2-EX": "12"}.items():
        page.fill(f"#id_passes-{label}", figure)
    page.get_by_role("button", name="Keep, on to the shims").click()
    expect(page.get_by_text("No valve that was read has to be changed")).to_be_visible()
    assert ClearanceReading.objects.filter(valve__job=job).count() == 4


def test_the_board_refreshes_in_place(technician, logged_in, workshop, tech):
    job = workshop.job()
    page = logged_in(technician).page
    page.goto(f"/at/{job.site.code}/")
    expect(page.get_by_text("4 readings to be keyed in")).to_be_visible()
    workshop.read(job, {"1-IN": "5 thou"})
    # What the page does by itself every so often, done now.
    page.evaluate("htmx.trigger('#bays', 'refresh')")
    expect(page.get_by_text("3 readings to be keyed in")).to_be_visible()


def test_text_spaced_wide_stays_readable(shop, boss_of_both, logged_in):
    """W10, WCAG 1.4.12: with wide spacing of lines, words and letters nothing is cut or covered."""
    page = logged_in(boss_of_both, "phone").page
    for name in ("board", "stock", "counter", "open_job"):
        page.goto(dict(pages_of(shop.site))[name])
        page.evaluate(
            """() => {
              for (const it of document.querySelectorAll("body *")) {
                it.style.setProperty("line-height", "1.5", "important");
                it.style.setProperty("letter-spacing", "0.12em", "important");
                it.style.setProperty("word-spacing", "0.16em", "important");
              }
            }"""
        )
        cut = page.evaluate(
            """() => [...document.querySelectorAll("main a, main button, main h1, main h2, main dd")]
              .filter((it) => getComputedStyle(it).overflow !== "visible")
              .filter((it) => it.scrollWidth > it.clientWidth + 1)
              .map((it) => it.innerText)"""
        )
        assert cut == [], name
        assert page.evaluate(
            "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
        ), name

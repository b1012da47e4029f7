"""Every page at every width, light and dark: reachable with gloves, readable in glare, nothing from outside.

Bars W1, W2, W10, W11 and S4. `make test` looks at one page of each kind, with axe at the phone's width in the
dark and at the desk's in light; --long at every page in every state, with axe at both widths in both.
"""

import pytest
from axe_playwright_python.sync_playwright import Axe

from inventory.models import BinCount
from inventory.services.counting import begin_count
from shop.actor import actor_for_user
from tests.browser.conftest import SIZES
from tests.browser.looks import crowded_controls, pale_texts, small_controls, wider_than_the_screen
from tests.jobs.shop import AT
from tests.ui.walk import pages_of

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

AXE_OPTIONS = {
    "resultTypes": ["violations"],
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
}
REFLOW = (320, 800)
# A job's page differs by the job's state; of each page the states that look most unlike.
TYPICAL = {
    "check": {"signed_off"},
    "job": {"held", "stopped"},
    "readings": {"open", "fitted", "held"},
    "shims": {"planned"},
    "count": {"open", "differs"},
    "plan": {"open", "planned", "waiting"},
    "fitting": {"held", "handed_out", "fitted"},
    "sign_off": {"fitted", "signed_off"},
    "paper": {"held"},
    "stop": {"held"},
    "vehicle": {"signed_off"},
}


# By theme: the sizes at which axe looks, which takes most of the time. What depends on the theme alone, the
# colours, is measured besides.
Looks = dict[str, tuple[str, ...]]
FEW: Looks = {"dark": ("phone",), "light": ("wide",)}
ALL: Looks = {"dark": ("phone", "wide"), "light": ("phone", "wide")}


def typical(name: str) -> bool:
    page, _, state = name.partition("-")
    return not state or state in TYPICAL.get(page, ())


def look_at(page, faults: dict[str, list[str]], name: str, axe: Axe, looks: Looks) -> None:
    """Everything that is wrong with the page that is shown, at every width and in both themes."""

    def note(what: str, found: list[str]) -> None:
        if found:
            faults.setdefault(f"{name}, {what}", []).extend(found)

    for size, (width, height) in {**SIZES, "narrow": REFLOW}.items():
        page.set_viewport_size({"width": width, "height": height})
        note(f"{size}: scrolls sideways", wider_than_the_screen(page))
        if size == "narrow":
            continue
        note(f"{size}: too small", small_controls(page))
        note(f"{size}: too close", crowded_controls(page))
    for scheme in ("dark", "light"):
        page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
        note(f"{scheme}: too pale", pale_texts(page))
        for size in looks[scheme]:
            width, height = SIZES[size]
            page.set_viewport_size({"width": width, "height": height})
            report = axe.run(page, options=AXE_OPTIONS)
            note(
                f"{scheme} {size}: axe",
                [
                    f"{violation['id']}: {node['target']} {node['html'][:120]}"
                    for violation in report.response["violations"]
                    for node in violation["nodes"][:3]
                ],
            )


def look(watched, pages, looks: Looks, only=lambda name: True):
    faults: dict[str, list[str]] = {}
    axe = Axe()
    for name, address in pages:
        if not only(name):
            continue
        watched.page.goto(address)
        # What axe itself does to a page is not the page's doing.
        stopped, outside = list(watched.stopped), list(watched.outside)
        look_at(watched.page, faults, name, axe, looks)
        watched.stopped[:], watched.outside[:] = stopped, outside
    report = "\n".join(f"{what}\n    " + "\n    ".join(found) for what, found in faults.items())
    assert not faults, f"\n{report}"


def test_pages_of_every_kind(shop, boss_of_both, logged_in, size):
    # So that the count's page is the blind sheet.
    begin_count(count=BinCount.objects.get(state="open"), actor=actor_for_user(boss_of_both), at=AT)
    look(logged_in(boss_of_both), pages_of(shop.site), size(FEW, ALL), typical)


@pytest.mark.long
def test_every_page_in_every_state(shop, boss_of_both, logged_in):
    look(logged_in(boss_of_both), pages_of(shop.site), ALL)


def test_pages_outside_a_site(shop, boss_of_both, logged_in, open_browser):
    look(open_browser(), [("log-in", "/log-in"), ("not there", "/nowhere")], ALL)
    look(logged_in(boss_of_both), [("sites", "/"), ("you", "/you"), ("not mine", "/at/elsewhere/stock")], ALL)


def test_what_is_measured_would_be_found(open_browser):
    """The measures have teeth: a page that breaks each of them is caught by it."""
    page = open_browser().page
    page.goto("/log-in")
    page.evaluate(
        """() => {
          const add = (html) => document.querySelector("#page").insertAdjacentHTML("beforeend", html);
          add('<div class="planted"><button id="a">small</button><button id="b">close</button></div>');
          add('<p id="pale" class="figure">8 thou</p><p id="long">sideways</p>');
          const set = (id, style) => Object.assign(document.getElementById(id).style, style);
          set("a", { minHeight: "20px", minWidth: "20px", height: "20px", padding: 0 });
          set("pale", { color: "rgb(120,120,120)", background: "white" });
          set("long", { width: "3000px" });
        }"""
    )
    assert any("small" in found for found in small_controls(page))
    assert any("small" in found and "close" in found for found in crowded_controls(page))
    assert any("8 thou" in found for found in pale_texts(page))
    assert "P  long" in wider_than_the_screen(page)

"""What a page looks like to a hand, an eye and a program that checks both: measured in the browser itself."""

from playwright.sync_api import Page

# Every control with its box. A control inside a sentence is "inline"; a box or dial inside its label counts
# with the label, which is what is tapped.
_CONTROLS = """
() => {
  const seen = (it) => {
    const box = it.getBoundingClientRect();
    return box.width > 1 && box.height > 1 && it.checkVisibility({ visibilityProperty: true });
  };
  const own = (it) => it.matches("input[type=radio], input[type=checkbox]") && it.closest("label") || it;
  const inline = (it) => it.tagName === "A" && getComputedStyle(it).display === "inline";
  const found = new Set(
    [...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary")]
      .filter((it) => !it.matches(".skip")).map(own).filter(seen),
  );
  return [...found].map((it) => {
    const box = it.getBoundingClientRect();
    const words = (it.innerText || it.value || it.name || "").replace(/\\s+/g, " ").trim().slice(0, 40);
    return {
      what: `${it.tagName.toLowerCase()} ${it.name || it.className || ""} "${words}"`,
      x: box.x, y: box.y, width: box.width, height: box.height, inline: inline(it),
    };
  });
}
"""

# Every piece of text with its colour, its ground and whether it is one that is read in glare.
_TEXTS = """
() => {
  const parts = (text) => (text.match(/[\\d.]+/g) || []).map(Number);
  const over = (top, below) => {
    const a = top[3] === undefined ? 1 : top[3];
    return [0, 1, 2].map((i) => top[i] * a + below[i] * (1 - a));
  };
  const ground = (it) => {
    const layers = [];
    for (let at = it; at; at = at.parentElement) {
      const colour = parts(getComputedStyle(at).backgroundColor);
      if (colour.length && colour[3] !== 0) {
        layers.push(colour);
        if (colour[3] === undefined || colour[3] === 1) break;
      }
    }
    let result = [255, 255, 255];
    for (const layer of layers.reverse()) result = over(layer, result);
    return result;
  };
  const light = (colour) => {
    const [r, g, b] = colour.slice(0, 3).map((c) => {
      const s = c / 255;
      return s <= 0.04045 ? s / 12.92 : ((s + 0.055) / 1.055) ** 2.4;
    });
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ratio = (one, other) => {
    const [high, low] = [light(one), light(other)].sort((a, b) => b - a);
    return (high + 0.05) / (low + 0.05);
  };
  const found = [];
  const note = (it, text, colour, behind) => found.push({
    text: text.slice(0, 40), ratio: ratio(over(colour, behind), behind),
    glare: Boolean(it.closest(".figure, .verdict, .wrong, .stack-count, .cell input")),
    where: it.tagName.toLowerCase() + "." + (it.getAttribute("class") || ""),
  });
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const it = walk.currentNode.parentElement;
    const text = walk.currentNode.data.trim();
    if (!text || it.closest(".unseen, .skip, svg, option, script")) continue;
    if (!it.checkVisibility({ visibilityProperty: true })) continue;
    note(it, text, parts(getComputedStyle(it).color), ground(it));
  }
  for (const it of document.querySelectorAll("input:not([type=hidden]), select, textarea")) {
    if (!it.checkVisibility()) continue;
    note(it, it.value || it.name, parts(getComputedStyle(it).color), ground(it));
  }
  return found;
}
"""


def small_controls(page: Page) -> list[str]:
    """Controls under 48 x 48 px, and links inside a sentence under 24 px (bar W1)."""
    return [
        f"{control['what']}: {control['width']:.0f} x {control['height']:.0f}"
        for control in page.evaluate(_CONTROLS)
        if not _large_enough(control)
    ]


def crowded_controls(page: Page) -> list[str]:
    """Pairs of controls that are less than 8 px apart (bar W1); links inside a sentence apart."""
    boxes = [control for control in page.evaluate(_CONTROLS) if not control["inline"]]
    return [
        f"{one['what']} and {other['what']}"
        for number, one in enumerate(boxes)
        for other in boxes[number + 1 :]
        if _too_close(one, other)
    ]


def pale_texts(page: Page) -> list[str]:
    """Text under 4.5:1, and readings, quantities and verdicts under 7:1 (bar W2)."""
    return [
        f"{text['ratio']:.2f}:1 {text['where']} {text['text']!r}"
        for text in page.evaluate(_TEXTS)
        if text["ratio"] < (7 if text["glare"] else 4.5)
    ]


def wider_than_the_screen(page: Page) -> list[str]:
    """What reaches beyond the screen's edge where the page scrolls sideways (bar W10); tables may."""
    return page.evaluate(
        """() => {
          const screen = document.documentElement;
          if (screen.scrollWidth <= screen.clientWidth) return [];
          const beyond = [...document.body.querySelectorAll("*")].filter((it) =>
            it.getBoundingClientRect().right > screen.clientWidth + 0.5 && !it.closest(".table-scroll"));
          return [`${screen.scrollWidth - screen.clientWidth} px`,
                  ...beyond.slice(-4).map((it) => `${it.tagName} ${it.className} ${it.id}`)];
        }"""
    )


def _large_enough(control: dict) -> bool:
    if control["inline"]:
        return control["height"] >= 20  # the line it stands in adds the rest: 1.5 x 17 px and more
    return control["width"] >= 47.5 and control["height"] >= 47.5


def _too_close(one: dict, other: dict) -> bool:
    across = max(one["x"], other["x"]) - min(one["x"] + one["width"], other["x"] + other["width"])
    down = max(one["y"], other["y"]) - min(one["y"] + one["height"], other["y"] + other["height"])
    inside = across < -1 and down < -1  # one in the other, as a list's row that is a link
    return max(across, down) < 7.5 and not inside

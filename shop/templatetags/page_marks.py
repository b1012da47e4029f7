"""Drawn marks: `{% mark "stock" %}`. Inline, so that they take the text's colour and need no request."""

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

register = template.Library()

# Paths on a 24 x 24 ground, drawn for this service; the style sheet strokes and fills them (.mark).
_MARKS: dict[str, str] = {
    # A cam lobe above a shim, and the gap between them.
    "brand": (
        '<path class="full" d="M12 1.5c3.6 0 6.2 2.5 6.2 5.6 0 3.4-3 3.9-4.4 6.2-.7 1.1-2.9 1.1-3.6 0'
        'C8.8 11 5.8 10.5 5.8 7.1 5.8 4 8.4 1.5 12 1.5Z"/>'
        '<rect class="full" x="4" y="17" width="16" height="5" rx="1.6"/>'
        '<circle class="hole" cx="12" cy="7" r="2"/>'
    ),
    "bays": '<path d="M3 21V8l9-5 9 5v13M7 21v-9h10v9M7 16h10"/>',
    "stock": '<path d="M4 3h16v18H4zM4 9h16M4 15h16M10.5 6h3M10.5 12h3M10.5 18h3"/>',
    "shop_plan": '<path d="M3 7h12l-3-3M21 17H9l3 3M4 13h6M14 11h6"/>',
    "buy": '<path d="M9 4h6l1 2h3v15H5V6h3zM8.5 11.500l1.5 1.5 2.5-3M8.5 17h7"/>',
    "counter": '<path d="M3 12h18v9H3zM7 12V7h10v5M12 3v9M9.5 5.5 12 3l2.5 2.5"/>',
    "vehicles": '<path d="M3 17v-4l2.5-6h13L21 13v4zM3 13h18M6 17v3M18 17v3M7 15.200h.01M17 15.200h.01"/>',
    "done": '<circle class="full" cx="12" cy="12" r="10.5"/><path class="cut" d="m7 12.5 3.5 3.500L17 8.5"/>',
    "refused": '<path class="full" d="M12 1.5 23 21H1z"/><path class="cut" d="M12 8v6.500M12 17.600v.3"/>',
    # Verdicts: a disc, a diamond, a point down (too little room) and a point up.
    "in_spec": '<circle class="full" cx="12" cy="12" r="10"/><path class="cut" d="m7.5 12.5 3 3 6-7"/>',
    "at_limit": (
        '<path class="full" d="m12 1 11 11-11 11L1 12z"/><path class="cut" d="M12 6.5v7M12 16.5v.3"/>'
    ),
    "tight": '<path class="full" d="M1.5 3h21L12 22z"/><path class="cut" d="M9 7.5h6"/>',
    "loose": '<path class="full" d="M12 2l10.5 19h-21z"/><path class="cut" d="M9 17h6M12 14v6"/>',
    "unread": '<circle class="open" cx="12" cy="12" r="9.5"/>',
    # What a plan does with a valve.
    "keep": '<path d="M5 12h14"/>',
    "swap": '<path d="M4 8h14l-4-4M20 16H6l4 4"/>',
    "bin": '<path d="M4 4h16v16H4zM4 12h16M10 8h4M10 16h4"/>',
    "cart": '<path d="M2 4h3l2.5 11h10L20 7H6M9 19.500h.01M17 19.500h.01"/>',
    "none": '<path d="M6 6l12 12M18 6 6 18"/>',
    "caliper": '<path d="M4 21V3h4v6h12M8 13h8v8h-4v-8M12 9V6"/>',
    "next": '<path d="M4 12h15M13 6l6 6-6 6"/>',
    "caution": '<path class="full" d="M12 1.5 23 21H1z"/><path class="cut" d="M12 8v6.500M12 17.600v.3"/>',
}
_MARKS |= {"stock_action": _MARKS["bin"], "buy_action": _MARKS["cart"]}


@register.simple_tag
def mark(name: str, label: str = "") -> SafeString:
    """The mark of this name; with a label it speaks, without one it only decorates the words beside it."""
    drawing = mark_safe(_MARKS[name])  # noqa: S308 - from the table above
    if label:
        return format_html(
            '<svg class="mark mark-{}" viewBox="0 0 24 24" role="img" aria-label="{}">{}</svg>',
            name,
            label,
            drawing,
        )
    return format_html(
        '<svg class="mark mark-{}" viewBox="0 0 24 24" aria-hidden="true" focusable="false">{}</svg>',
        name,
        drawing,
    )


@register.simple_tag
def mark_shape(name: str) -> SafeString:
    """The bare shapes of a mark, 24 x 24, to be placed inside another drawing."""
    return mark_safe(_MARKS[name])  # noqa: S308 - from the table above

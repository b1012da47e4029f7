"""What a page's view declares: which action it takes to see it and to act, and where a refusal shows.

    @page(see=Action.READ)                            GET only
    @page(see=Action.RECEIVE, do=Action.RECEIVE)      a form, shown again with `refusal`
    @page(do=Action.PLAN, refused_on=job_plan)        a button; a refusal is shown on the page that has it

`shop.pages.people` enforces it; a page of a site that declares nothing is refused to everybody.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from django.http import HttpResponse

from shop.roles import Action

PageView = Callable[..., HttpResponse]
View = TypeVar("View", bound=PageView)


@dataclass(frozen=True, slots=True, kw_only=True)
class PageRules:
    """see, do: the action that GET and POST take; None where the method is not taken.
    refused_on: the view that shows a refusal of the POST."""

    see: Action | None
    do: Action | None
    refused_on: PageView | None

    def action_for(self, method: str | None) -> Action | None:
        return self.do if method == "POST" else self.see if method in ("GET", "HEAD") else None

    @property
    def methods(self) -> list[str]:
        return [*(["GET", "HEAD"] if self.see else []), *(["POST"] if self.do else [])]


def page(
    *, see: Action | None = None, do: Action | None = None, refused_on: PageView | None = None
) -> Callable[[View], View]:
    """Declare a page. Raises ValueError for a button that does not say where its refusal is shown."""
    if do is not None and see is None and refused_on is None:
        raise ValueError("a button says on which page its refusal is shown")

    def mark(view: View) -> View:
        shown_on = (refused_on or view) if do is not None else None
        view.page_rules = PageRules(see=see, do=do, refused_on=shown_on)  # type: ignore[attr-defined]
        return view

    return mark


def rules_of(view: PageView) -> PageRules:
    """What the view declared; nothing allowed where it declared nothing."""
    return getattr(view, "page_rules", _NOTHING)


_NOTHING = PageRules(see=None, do=None, refused_on=None)

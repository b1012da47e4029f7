"""The API's document as a page: from our own files alone, under the content policy, readable."""

import pytest
from playwright.sync_api import expect

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_the_document_is_shown_and_opens(manager, logged_in):
    """What the policy stopped and what was asked of others is looked at when the tab closes (conftest)."""
    page = logged_in(manager, "wide").page
    page.goto("/api/docs")
    plans = page.get_by_role("heading", name="plans", exact=False)
    plans.filter(has=page.get_by_role("link", name="plans", exact=True)).get_by_role("button").click()
    expect(page.get_by_text("The best plan for one engine.")).to_be_visible()
    page.get_by_text("The best plan for one engine.").click()
    expect(
        page.get_by_text("Under the same Idempotency-Key").or_(page.get_by_text("1-IN-L")).first
    ).to_be_visible()


def test_a_problem_types_page_is_open_to_everybody(open_browser):
    page = open_browser("tablet").page
    page.goto("/api/problems/not-enough")
    expect(page.get_by_role("heading", name="Not enough shims are available")).to_be_visible()
    page.get_by_role("link", name="All problem types").click()
    expect(page.get_by_role("link", name="hold-expired")).to_be_visible()

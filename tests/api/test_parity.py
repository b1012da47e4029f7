"""Everything that the pages can do, the API can do: held to the code of both, not to a list by hand."""

import ast
import importlib
import inspect
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGES = ("jobs/ui", "inventory/ui")
SERVICES = ("inventory.services", "jobs.services", "shop.webhooks")


def imported(folders, packages):
    """(module, name) of what the files in these folders import from these packages."""
    return {
        (node.module, alias.name)
        for folder in folders
        for path in (ROOT / folder).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith(packages)
        for alias in node.names
    }


def is_act(module, name):
    """Whether it is a function that somebody does something with: it is told who acts."""
    found = getattr(importlib.import_module(module), name)
    return inspect.isfunction(found) and "actor" in inspect.signature(found).parameters


def test_every_act_of_the_pages_is_one_of_the_api():
    pages = {one for one in imported(PAGES, SERVICES) if is_act(*one)}
    program = imported(("api",), SERVICES)
    assert len(pages) > 50
    assert pages - program == set()


# What only programs do, and why no page is missing; whoever adds an act says here or on a page where it is.
ONLY_PROGRAMS = {
    # A calculator's own: the outside reference that it holds for, and many rows in one go.
    "fit_hold",
    "add_needs_of_rows",
    "enter_vehicles",
    "set_minimum",
    # Tables in and out keep these from the pages, a row or thousands.
    "add_family",
    "rename_family",
    "add_engine_type",
    "change_engine_type",
    "set_part_prices",
    # Set up once, by whoever runs the service.
    "add_supplier",
    "change_supplier",
    "set_offer",
    "change_vehicle",
    "last_audit",
    "start_audit",
    "add_endpoint",
    "enable_endpoint",
    "disable_endpoint",
    "rotate_secret",
    "replay_dead",
    "replay_delivery",
}


def test_every_act_of_the_api_is_one_of_the_pages_or_known_to_be_none():
    pages = {one for one in imported(PAGES, SERVICES) if is_act(*one)}
    program = {one for one in imported(("api",), SERVICES) if is_act(*one)}
    assert len(program) > 70
    assert {name for _, name in program - pages} - ONLY_PROGRAMS == set()

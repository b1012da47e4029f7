"""A table of counts on its way into the books, for the test that kills it at every statement."""

import io

from inventory.imports.runs import apply_import, stage_import
from inventory.models import ImportRun
from shop.background.work import run_task, work_once
from shop.models import Task
from tests.faults.acts import SIZES, Act, Shop


def make_checked(shop: Shop) -> None:
    """A table of six rows, checked and asked to be applied."""
    rows = [f"A{n},disc29,{size},new,{n + 10}" for n in (1, 2, 3) for size in SIZES[:2]]
    text = "bin,family,thickness [um],condition,quantity\n" + "\n".join(rows) + "\n"
    text = text.replace("000,new", ",new")
    run = stage_import(**shop.here, kind="stock", file=io.BytesIO(text.encode()), name="drawer.csv")
    work_once()
    apply_import(run=ImportRun.objects.get(pk=run.pk), **shop.by)


def apply_it(_shop: Shop) -> None:
    run_task(Task.objects.get(kind="apply_import").pk)


TABLE_ACTS = {"apply a table": Act(service="apply_import", run=apply_it, before=make_checked)}

"""The pages on which tables are brought in: read, looked at, applied, or called off with nothing done."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from inventory.imports.runs import APPLY
from inventory.models import ImportRun, Movement, StockMinimum
from shop.background.work import work_once
from shop.models import Task
from tests.ui.pages import fields_of, text_of

pytestmark = pytest.mark.django_db(transaction=True)

NOTHING_OF_IT = "Nothing of the table is then in the books."


@pytest.fixture
def bring_in(office, workshop):
    """The manager sends a table of sizes; the page that comes back, and the run."""

    def act(rows=("2.600,,4", "2.625,,2")):
        text = "\n".join(
            ["family,size [mm],marking,minimum", *(f"{workshop.family.code},{row}" for row in rows)]
        )
        file = SimpleUploadedFile("sizes.csv", text.encode())
        page = office.post("tables", **fields_of(office.get("tables")) | {"kind": "sizes", "file": file})
        assert page.status_code == 200, text_of(page)
        return page, ImportRun.objects.latest("created_at")

    return act


def test_is_read_and_applied(office, bring_in, workshop):
    page, run = bring_in()
    assert "sizes.csv is being read." in text_of(page)
    work_once()
    page = office.get("import", run.pk)
    assert "Apply the whole table" in text_of(page)
    code = workshop.family.code
    assert f"2 {code}, 2.600 mm New minimum: 0 becomes 4 3 {code}, 2.625 mm New" in text_of(page)
    office.post("apply_import", run.pk)
    work_once()
    page = text_of(office.get("import", run.pk))
    assert NOTHING_OF_IT not in page
    assert sorted(StockMinimum.objects.values_list("minimum", flat=True)) == [2, 4]


class TestCallingOff:
    def test_while_it_is_read(self, office, bring_in):
        page, run = bring_in()
        assert "Stop it" in text_of(page)
        page = office.post("cancel_import", run.pk)
        assert "sizes.csv is called off." in text_of(page)
        assert NOTHING_OF_IT not in text_of(page)
        work_once()
        run.refresh_from_db()
        assert (run.state, bytes(run.data), run.task.state) == ("cancelled", b"", Task.State.CANCELLED)
        assert office.post("apply_import", run.pk).status_code == 409

    def test_once_it_is_read(self, office, bring_in):
        _, run = bring_in()
        work_once()
        assert "Call it off" in text_of(office.get("import", run.pk))
        assert "Called off by" in text_of(office.post("cancel_import", run.pk))
        work_once()
        assert not StockMinimum.objects.exists()

    def test_while_it_is_applied(self, office, bring_in):
        _, run = bring_in()
        work_once()
        page = office.post("apply_import", run.pk)
        assert "Stop it" in text_of(page)
        office.post("cancel_import", run.pk)
        work_once()
        run.refresh_from_db()
        assert run.state == ImportRun.State.CANCELLED
        assert not Task.objects.filter(kind=APPLY).exclude(state=Task.State.CANCELLED).exists()
        assert not StockMinimum.objects.exists()
        assert not Movement.objects.filter(document__contains="sizes.csv").exists()

    def test_what_is_over_is_said_so(self, office, bring_in):
        _, run = bring_in()
        work_once()
        office.post("apply_import", run.pk)
        work_once()
        page = office.post("cancel_import", run.pk)
        assert page.status_code == 409
        assert "sizes.csv is applied: there is nothing left to call off." in text_of(page)
        assert StockMinimum.objects.count() == 2

    def test_is_the_managers_own(self, office, counter_screen, foreign, bring_in):
        _, run = bring_in()
        assert counter_screen.post("cancel_import", run.pk).status_code == 403
        assert foreign.post("cancel_import", run.pk).status_code == 404
        run.refresh_from_db()
        assert run.state == ImportRun.State.STAGED

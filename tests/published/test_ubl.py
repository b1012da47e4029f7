"""Orders against the published schema: OASIS Universal Business Language 2.1 OS, UBL-Order-2.1.xsd."""

import os
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import pytest
import xmlschema

from inventory.orders import OrderLine, order_ubl
from tests.inventory.order_cases import order

DATA = Path(os.environ.get("COLDGAP_TEST_DATA", Path(__file__).resolve().parents[3] / "shared" / "data"))
SCHEMA = DATA / "ubl" / "2.1" / "maindoc" / "UBL-Order-2.1.xsd"


@pytest.fixture(scope="module")
def schema():
    if not SCHEMA.exists():
        pytest.fail(
            f"The schema {SCHEMA} (OASIS UBL 2.1 OS) is absent: put the folder `shared/data` beside the "
            "checkout, or name it in COLDGAP_TEST_DATA."
        )
    return xmlschema.XMLSchema(SCHEMA)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"delivery": "0"},
        {"expected": None, "our_number": ""},
        {"supplier": "Ö & <Sons>"},
    ],
)
def test_ubl_is_valid_by_the_published_schema(schema, changes):
    """OASIS UBL 2.1 OS, UBL-Order-2.1.xsd."""
    schema.validate(BytesIO(order_ubl(order(**changes))))


def test_a_line_without_a_price_is_valid_too(schema):
    bare = OrderLine(
        number=1, part_number="", words="Shim", packs=1, pack=1, pieces=1, price=None, amount=None
    )
    schema.validate(BytesIO(order_ubl(replace(order(lines=0), lines=(bare,), unpriced=1))))


def test_the_schema_refuses_what_is_wrong(schema):
    wrong = order_ubl(order()).replace(b"IssueDate", b"IssueDay")
    assert not schema.is_valid(BytesIO(wrong))

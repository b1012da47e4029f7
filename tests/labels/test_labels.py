"""Labels read back from the rendered PDF by an independent reader (zxing-cpp), as a scanner would.

Outside source: the QR code is ISO/IEC 18004; Annex I's example is checked in tests/published/test_qr.py.
"""

from time import process_time

import pypdfium2
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.labels import Label, Sheet, render_sheet, render_single


def label(number: int = 1, **changes) -> Label:
    fields = {
        "headline": f"2.{600 + number % 400:03d}",
        "unit": "mm",
        "code": f"A{number}",
        "family": "29 mm disc over the bucket",
        "detail": "Cabinet A, row 1, column 3",
        "url": f"https://shop.example/bins/{number:08d}-7a11-7000-8000-0123456789ab",
    }
    return Label(**{**fields, **changes})


def pages(pdf: bytes, dpi: int = 203):
    """The pages as pictures at the resolution of a common label printer."""
    document = pypdfium2.PdfDocument(pdf)
    return [document[n].render(scale=dpi / 72).to_pil() for n in range(len(document))]


def text_of(pdf: bytes) -> str:
    document = pypdfium2.PdfDocument(pdf)
    return "\n".join(document[n].get_textpage().get_text_range() for n in range(len(document)))


def codes(picture) -> list[str]:
    return sorted(found.text for found in zxingcpp.read_barcodes(picture))


@pytest.mark.parametrize("sheet", list(Sheet))
def test_every_code_of_a_sheet_reads_back(sheet):
    labels = [label(number) for number in range(sheet.format.per_page + 1)]
    first, second = pages(render_sheet(labels, sheet), dpi=300)
    assert codes(first) == sorted(one.url for one in labels[:-1])
    assert codes(second) == [labels[-1].url]


def test_a_single_label_reads_back_and_says_its_thickness():
    pdf = render_single(label(25))
    (picture,) = pages(pdf)
    assert codes(picture) == [label(25).url]
    said = text_of(pdf)
    for words in ("2.625", "mm", "A25", "29 mm disc over the bucket", "Cabinet A, row 1, column 3"):
        assert words in said


def test_a_begun_sheet_leaves_its_first_places_empty():
    (picture,) = pages(render_sheet([label()], Sheet.A4_24, skip=23))
    (found,) = zxingcpp.read_barcodes(picture)
    height, width = picture.height, picture.width
    assert found.position.top_left.x > width * 2 / 3
    assert found.position.top_left.y > height * 7 / 8


def test_long_words_do_not_run_into_the_code():
    crowded = label(
        headline="10.000",
        code="CABINET-7-ROW-12-COL-40",
        family="A family with a name of eighty letters that somebody thought was a good idea once",
    )
    (picture,) = pages(render_single(crowded, width_mm=38, height_mm=21), dpi=300)
    assert codes(picture) == [crowded.url]


def test_the_same_labels_give_the_same_bytes():
    assert render_sheet([label()]) == render_sheet([label()])


@pytest.mark.parametrize(
    ("act", "on_the_last"),
    [(lambda: render_sheet([label()] * 500, skip=7), 3), (lambda: render_single(label(), copies=500), 1)],
)
def test_as_many_as_may_be_that_are_alike_take_no_time(act, on_the_last):
    """Any key that may read can ask for them: 0.1 s of the processor when measured."""
    render_single(label())
    begun = process_time()
    pdf = act()
    assert process_time() - begun < 2
    document = pypdfium2.PdfDocument(pdf)
    last = document[len(document) - 1].render(scale=300 / 72).to_pil()
    assert codes(last) == [label().url] * on_the_last
    assert text_of(pdf).count("2.601") == 500


def test_five_hundred_bins_come_out():
    """Every bin of a large shop on one PDF; most of its time goes into the codes: 3.5 s when measured."""
    begun = process_time()
    pdf = render_sheet([label(number) for number in range(500)], Sheet.A4_65)
    assert process_time() - begun < 15
    document = pypdfium2.PdfDocument(pdf)
    assert len(document) == 8
    last = document[7].render(scale=300 / 72).to_pil()
    assert codes(last) == sorted(label(number).url for number in range(455, 500))


@pytest.mark.parametrize(
    ("act", "said"),
    [
        (lambda: render_sheet([]), "1 to 500 labels"),
        (lambda: render_sheet([label()] * 501), "these are 501"),
        (lambda: render_single(label(), copies=501), "these are 501"),
        (lambda: render_sheet([label()], Sheet.A4_24, skip=24), "0 to 23 places"),
        (lambda: render_single(label(), width_mm=10), "25 × 15"),
    ],
)
def test_what_cannot_be_printed_is_said(act, said):
    with pytest.raises(ValueError, match=said):
        act()


@settings(max_examples=25, deadline=None)
@given(
    st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=60),
    st.integers(0, 400),
)
def test_any_address_and_thickness_reads_back(path, hundredths):
    one = label(headline=f"{hundredths / 100:.3f}", url=f"https://shop.example/{path}")
    (picture,) = pages(render_single(one), dpi=300)
    assert codes(picture) == [one.url]

"""QR symbols against ISO/IEC 18004, Annex I: the encoding of 01234567 as version 1-M.

Source: the annex's codewords and format bits, from memory of the standard, reproduced by own bit packing
and Reed-Solomon before they were written down here.
"""

import segno

FORMAT_BITS = "101111001111100"


def test_annex_i():
    symbol = segno.make_qr("01234567", version=1, error="m", mask=2, boost_error=False)
    rows = [list(row) for row in symbol.matrix]
    # Row 8, left of and at the timing column: the first seven format bits (columns 0-5, 7).
    first = "".join(str(rows[8][column]) for column in (0, 1, 2, 3, 4, 5, 7, 8))
    assert first == FORMAT_BITS[:8]
    assert (symbol.version, symbol.error, symbol.mask) == (1, "M", 2)

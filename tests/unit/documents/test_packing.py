"""The packing slip and the label: read by a person, and by a scanner (zxing, which is not what drew them)."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import date

import pypdf
import pypdfium2
import pytest
import zxingcpp

from service.documents.packing import LABEL_SIZE, PROMISE, STEPS, Packing, address_label, packing_slip
from service.domain.supplier import Supplier

SUPPLIER = Supplier(
    name="Thrumbleby Cam Works", address=("1 Invented Lane",), shafts_to=("The Bench", "2 Invented Lane", "Thrumbleby")
)
PACKING = Packing(
    "M48291573", "M 4829 1573", date(2026, 3, 1), SUPPLIER, ("Zoë Łącka", "3 Invented Lane", "Thrumbleby")
)
Draw = Callable[[Packing], bytes]


def words_of(pdf: bytes) -> str:
    return " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


@pytest.mark.parametrize("draw", [packing_slip, address_label])
def test_it_carries_the_reference_to_be_read_and_twice_to_be_scanned(draw: Draw) -> None:
    pdf = draw(PACKING)
    assert "M 4829 1573" in words_of(pdf)
    document = pypdfium2.PdfDocument(pdf)
    assert len(document) == 1
    image = document[0].render(scale=200 / 72).to_pil()  # as printed at 200 dots an inch
    document.close()
    read = {(code.format, code.text) for code in zxingcpp.read_barcodes(image)}
    assert read == {(zxingcpp.BarcodeFormat.QRCode, "M48291573"), (zxingcpp.BarcodeFormat.Code128, "M48291573")}


@pytest.mark.parametrize("draw", [packing_slip, address_label])
def test_it_goes_where_shafts_are_posted_to_and_says_from_whom(draw: Draw) -> None:
    words = words_of(draw(PACKING))
    for line in (SUPPLIER.name, *SUPPLIER.shafts_to, *PACKING.sender):
        assert line in words
    assert "1 Invented Lane" not in words


def test_the_slip_says_how_to_pack_and_what_will_be_done() -> None:
    words = "".join(words_of(packing_slip(PACKING)).split())
    for said in (*STEPS, *PROMISE):
        assert "".join(said.split()) in words


def test_without_a_sender_the_label_leaves_room_to_write_one() -> None:
    words = words_of(address_label(Packing("M48291573", "M 4829 1573", date(2026, 3, 1), SUPPLIER)))
    assert "write your name" in words


def test_the_label_is_a_sheet_of_a6() -> None:
    """ISO 216: A6 is 105 mm by 148 mm."""
    (page,) = pypdf.PdfReader(io.BytesIO(address_label(PACKING))).pages
    size = (float(page.mediabox.width) * 25.4 / 72, float(page.mediabox.height) * 25.4 / 72)
    assert size == pytest.approx(LABEL_SIZE, abs=0.1)

"""The PDF: its text, numbers of pages and figures, cautions; the same bytes again; hostile text stays text."""

from __future__ import annotations

import io
from zoneinfo import ZoneInfo

import pytest
from pypdf import PdfReader

from pipeline.incident.pdf import pdf_bytes
from pipeline.incident.view import Made, view
from tests.incident_file.made import made_incident

MM = 72 / 25.4


@pytest.fixture(scope="module")
def content() -> bytes:
    return _made()


def _made() -> bytes:
    incident = made_incident()
    return pdf_bytes(
        incident, view(incident, ZoneInfo("Europe/Berlin"), Made({"figures.json": "0" * 64}, {"tautlog": "0"}))
    )


def _text(reader: PdfReader) -> str:
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


def test_it_is_the_same_bytes_when_made_again_and_holds_no_date(content: bytes) -> None:
    assert _made() == content
    told = PdfReader(io.BytesIO(content)).metadata
    assert told is not None
    assert told.creation_date is None
    assert told.modification_date is None


def test_pages_are_a4_and_numbered(content: bytes) -> None:
    pages = PdfReader(io.BytesIO(content)).pages
    assert len(pages) > 5
    for i, page in enumerate(pages, start=1):
        # ISO 216: A4 is 210 mm by 297 mm.
        assert (float(page.mediabox.width) / MM, float(page.mediabox.height) / MM) == pytest.approx((210, 297), abs=0.1)
        assert f"page {i} of {len(pages)}" in page.extract_text()


def test_figures_are_numbered_and_cautions_stand_on_every_page(content: bytes) -> None:
    reader = PdfReader(io.BytesIO(content))
    text = _text(reader)
    for figure in ("Figure 1:", "Figure 2:", "Figure 3:"):
        assert figure in text
    for page in reader.pages:
        assert "Keep clear of lines under tension." in page.extract_text()
    for words in (
        "Lines under tension kill: keep clear.",
        "never replaces, inspection, the maker",
        "The highest load recorded is a lower bound",
        "No cause is named.",
        "A severity index is never a percent of life.",
        "Energy stored in a line says nothing of how far its ends fly",
    ):
        assert words in text


def test_the_two_parts_never_share_a_page_and_part_a_has_no_figure_of_wear(content: bytes) -> None:
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(content)).pages]
    (begins,) = [i for i, text in enumerate(pages) if "Part B, the analysis" in text]
    before = " ".join(pages[:begins])
    assert "Register of figures of Part A" in before
    assert "B-1" not in before
    for word in ("severity index", "fatigue", "creep", "abrasion"):
        assert word not in before.lower()


def test_every_figure_of_the_record_is_in_it_with_its_number_and_value(content: bytes) -> None:
    text = _text(PdfReader(io.BytesIO(content)))
    for words in ("at least 905.0 kN", "92.3 tf", "A-4.1", "41.25 s to 41.49 s", "0.01185 severity index", "812.5"):
        assert words in text


def test_what_registers_say_is_text_to_the_typesetter(content: bytes) -> None:
    text = _text(PdfReader(io.BytesIO(content)))
    assert '#panic("x") $x$ *bold*' in text.replace("\u201c", '"').replace("\u201d", '"')

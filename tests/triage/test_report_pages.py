"""PDF and HTML, read back by general readers: what they say, how many pages, nothing external."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from tests.triage.invented import invented_analysis, refused_analysis
from triage.analysis import Analysis
from triage.report import Visit
from triage.report.content import found
from triage.report.flow import printable
from triage.report.html import html_page
from triage.report.pdf import pdf_bytes

SHAPE = (900, 1200)
A4_POINTS, LETTER_POINTS = (595.28, 841.89), (612.0, 792.0)  # ISO 216 and ANSI, in 1/72 in


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return invented_analysis(120, shape=SHAPE)


def _pages(analysis: Analysis, paper: str = "a4", visit: Visit | None = None) -> list[str]:
    data = pdf_bytes(analysis, "letter" if paper == "letter" else "a4", visit or Visit())
    document = pypdfium2.PdfDocument(data)
    return [" ".join(page.get_textpage().get_text_range().split()) for page in document]


@pytest.mark.parametrize(("paper", "size"), [("a4", A4_POINTS), ("letter", LETTER_POINTS)])
def test_two_pages_on_either_paper(analysis: Analysis, paper: str, size: tuple[float, float]) -> None:
    document = pypdfium2.PdfDocument(pdf_bytes(analysis, "letter" if paper == "letter" else "a4", Visit()))
    assert len(document) == 2
    assert document[0].get_size() == (pytest.approx(size[0], abs=0.5), pytest.approx(size[1], abs=0.5))
    assert document.get_metadata_dict()["Title"] == "Fuel filter debris check: Trash pump 14, yard unit"


def test_customer_page_says_the_five_things(analysis: Analysis) -> None:
    customer, technician = _pages(analysis)
    row = analysis.passing[0]
    count = row.stopped_count + row.through_count
    assert f"we counted {count} pieces over 60 µm (0.0024 in)" in customer
    for part in (
        "What we found",
        "What we did",
        "What you can do at home",
        "Next check due",
        "Trash pump 14",
        "12 May 2026",
    ):
        assert part in customer
    assert "This is a photo check, not a laboratory test." in customer
    assert "a typical hair, about 70 µm" in customer
    assert "volume" not in customer
    assert "%" not in customer
    assert "volume" in technician


def test_what_was_done_is_printed_where_it_is_known(analysis: Analysis) -> None:
    customer, _ = _pages(analysis, visit=Visit("Tank cleaned & flushed.", "May 2027"))
    assert "Tank cleaned & flushed." in customer
    assert "May 2027" in customer


def test_technician_page_has_table_chart_advice_and_small_print(analysis: Analysis) -> None:
    _, page = _pages(analysis)
    row = next(row for row in analysis.passing if row.rating_um == 150)
    assert f"150 screen 5.9 No. 100 {row.stopped_count} {row.through_count}" in page
    assert "30 paper 1.2 No. 450 – – not measurable: under this photo's 60 µm" in page
    assert "Share that would go through, of pieces over 60 µm (0.0024 in)" in page
    assert "share that is smaller, of pieces over 60 µm" in page
    assert "Because: More than 25 pieces over 75 µm." in page
    assert "Not sure that enough fuel still runs: that was not measured." in page
    assert "Changed by: A flow test that falls short." in page
    assert "At the bench: 20 pieces over 60 µm look like sand or grit. Test: it crunches" in page
    assert "Cautions: A photo cannot see water" in page
    assert "The sample: from the fuel filter, tipped out and dried." in page
    assert "Installed: 150 µm screen, gravity feed, petrol" in page
    assert "120 h and 7 months since the last change" in page
    assert "Noticed at the bench: nothing." in page
    assert "30 µm a pixel, ±0.6 % (95 %)" in page
    assert "Program 0.1.0, method 1." in page
    assert re.search(r"Sizes by number: .*half are smaller than \d+ µm \(0\.\d+ in\)", page)


def test_sieve_numbers_are_the_standards(analysis: Analysis) -> None:
    """ASTM E11-17: 150 um is No. 100, 75 is No. 200, 25 is No. 500."""
    _, page = _pages(analysis)
    for rating, number in ((150, 100), (75, 200), (25, 500)):
        assert re.search(rf"\b{rating} (screen|paper) \d+\.\d No\. {number}\b", page)


def test_zero_particles_is_a_valid_result() -> None:
    customer, technician = _pages(invented_analysis(0, shape=SHAPE))
    assert "we found no pieces over 60 µm (0.0024 in)" in customer
    # Garwood's exact 95 % limit for a count of 0 is -ln 0.025 = 3.69.
    assert f"95 % upper bound: {-np.log(0.025):.1f} pieces" in found(invented_analysis(0, shape=SHAPE))
    assert "no pieces sized" in technician


def test_one_particle() -> None:
    customer, technician = _pages(invented_analysis(1, shape=SHAPE))
    assert "we counted 1 piece over 60 µm" in customer
    assert "few pieces decide" in technician


def test_nothing_measurable_is_said() -> None:
    _, technician = _pages(invented_analysis(100, shape=SHAPE, limit_um=200.0))
    assert technician.count("not measurable: under this photo's 200 µm") == 7


def test_scale_from_a_rule_names_no_card(analysis: Analysis) -> None:
    photo = analysis.photos[0]
    assert photo.scale is not None
    scale = replace(photo.scale, source="rule", card_number=None, frame=None, tilt_deg=None)
    _, technician = _pages(replace(analysis, photos=(replace(photo, scale=scale),)))
    assert "scale from a rule in the picture, 30 µm a pixel" in technician


def test_refused_photo_gives_one_page_of_remedies() -> None:
    pages = _pages(refused_analysis())
    assert len(pages) == 1
    assert "This photo could not be measured. Please take it again." in pages[0]
    assert "No calibration card was found. Lay the debris on the printed card." in pages[0]
    assert "%" not in pages[0]


def test_several_photos_and_a_refused_one_among_them(analysis: Analysis) -> None:
    bad = replace(refused_analysis().photos[0], file="second.jpg")
    both = replace(analysis, photos=(*analysis.photos, bad), pictures=analysis.pictures * 2)
    technician = " ".join(_pages(both)[1:])
    assert "second.jpg: The picture is blurred. Rest the phone on a cup." in technician


def test_seven_measurable_filters_still_fit_two_pages() -> None:
    fine = invented_analysis(300, shape=SHAPE, um_per_px=4.0, limit_um=9.0)
    assert sum(row.measurable for row in fine.passing) == 7
    for paper in ("a4", "letter"):
        pages = _pages(fine, paper)
        assert len(pages) == 2
        assert "the maker's meaning is not known" in pages[1]


def test_upright_photo_fits() -> None:
    assert len(_pages(invented_analysis(40, shape=(1600, 700)))) == 2


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_twice_the_advice_still_fits_two_pages(analysis: Analysis, paper: str) -> None:
    advice = replace(analysis.advice, actions=analysis.advice.actions * 2)
    pages = _pages(replace(analysis, advice=advice), paper)
    assert len(pages) == 2
    assert "6. Once the source is dealt with" in pages[1]


def test_long_advice_spills_to_a_third_page(analysis: Analysis) -> None:
    advice = replace(analysis.advice, actions=analysis.advice.actions * 10)
    pages = _pages(replace(analysis, advice=advice))
    assert len(pages) == 3
    assert "30. Once the source is dealt with" in " ".join(pages)


def test_names_are_printed_as_text_never_as_markup(analysis: Analysis) -> None:
    name = "<b>Unit</b> & Pompa Łódź"
    odd = replace(analysis, sample=replace(analysis.sample, machine=name))
    assert "<b>Unit</b> & Pompa Lódz" in _pages(odd)[0]
    page = html_page(odd, Visit("<script>", None))
    assert "&lt;b&gt;Unit&lt;/b&gt; &amp; Pompa Łódź" in page
    assert "<script" not in page


def test_letters_the_pdf_fonts_lack() -> None:
    assert printable("Łódź µm – ± é") == "Lódz µm – ± é"
    assert printable("水") == "?"


def test_pdf_is_small(analysis: Analysis) -> None:
    assert len(pdf_bytes(analysis, "a4", Visit())) < 1_500_000


class _Page(HTMLParser):
    """Collects tags, checks that they close in order."""

    void = frozenset({"meta", "img", "br", "link", "hr", "input"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.links: list[str] = []
        self.seen: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        self.links += [value or "" for name, value in attrs if name in {"src", "href", "xlink:href", "data"}]
        if tag not in self.void:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, _: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def _read(page: str) -> _Page:
    reader = _Page()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


@pytest.mark.parametrize(
    "case", [invented_analysis(120, shape=SHAPE), invented_analysis(0, shape=SHAPE), refused_analysis()]
)
def test_html_is_well_formed_and_self_contained(case: Analysis) -> None:
    page = html_page(case, Visit())
    reader = _read(page)
    assert all(link.startswith("data:image/jpeg;base64,") for link in reader.links)
    outside = page.replace("http://www.w3.org/2000/svg", "").replace("http://www.w3.org/1999/xlink", "")
    assert "http" not in re.sub(r"base64,[A-Za-z0-9+/=]+", "", outside)
    assert not {"script", "link", "iframe", "object"} & set(reader.seen)
    assert not re.search(r"url\((?!#)|@import", page)


def test_html_says_what_the_pdf_says(analysis: Analysis) -> None:
    text = " ".join(" ".join(_read(html_page(analysis, Visit())).text).split())
    for part in (
        "What we found",
        "of pieces over 60 µm",
        "Because: More than 25 pieces",
        "not measurable",
    ):
        assert part in text
    assert "This is a photo check, not a laboratory test." in text


def test_html_pictures_are_jpegs_of_a_page_width(analysis: Analysis) -> None:
    links = _read(html_page(analysis, Visit())).links
    assert len(links) == 2
    for link in links:
        with Image.open(io.BytesIO(base64.b64decode(link.split(",")[1]))) as picture:
            assert picture.format == "JPEG"
            assert 1200 <= picture.width <= 1600


def test_html_follows_dark_mode_and_print(analysis: Analysis) -> None:
    page = html_page(analysis, Visit())
    assert "prefers-color-scheme: dark" in page
    assert "@media print" in page
    assert 'name="viewport"' in page

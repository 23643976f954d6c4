"""Nothing is stated as measured below the photo's own limit: JSON, CSV, text, page and PDF of one photo.

The photo is drawn: discs from far below to far above the limit, so that there is much to be wrongly said.
"""

from __future__ import annotations

import csv
import html
import io
import re
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pypdfium2
import pytest

from calibration.calibrate import ByStated, HowScaled
from calibration.kept import Kept
from tests.benchmarks.limits_validation import Case, picture
from triage.analysis import Analysis, Sample, Setup, analyse
from triage.batch.rows import _filled, columns
from triage.debris.tabulate import _put_limits
from triage.filters import load_filters, packaged_list
from triage.report import to_json, write_csv
from triage.report.html import html_page
from triage.report.pdf import write_pdf
from triage.report.text import summary_text
from triage.report.visit import Visit

UM_PER_PX = 12.0
# What a size under the limit may stand beside: what is not measured, not of the debris, or called a model.
NOT_MEASURED = (
    "seen from",
    "blur",
    "a pixel",
    "not measurable",
    "modelled",
    "hair",
    "what this photo can size",
    "this photo sizes from",
    "filter",  # a rating's name
    "screen",
    "element",
    "needle",
    "jet",
    "hole",
    "µm:",  # what ratings mean
    "narrow",
)


@pytest.fixture(scope="module")
def setup() -> Setup:
    how = HowScaled(by=ByStated(UM_PER_PX), kept=Kept({}, {}, {}))
    sample = Sample(origin="filter", installed_um=75.0, element="screen", noticed=("none",), volume_ml=100.0)
    return Setup(how=how, sample=sample, filters=load_filters(packaged_list()))


@pytest.fixture(scope="module")
def photo_path(tmp_path_factory):
    sizes = np.concatenate([np.repeat(np.geomspace(1.0, 9.0, 16), 16), np.full(12, 14.0)])
    photo = picture(sizes, Case(1.3, 3.0, 0.9), seed=3)
    path = tmp_path_factory.mktemp("limit") / "discs.png"
    cv2.imwrite(str(path), photo.rgb[..., ::-1])
    return path


@pytest.fixture(scope="module")
def analysis(photo_path, setup) -> Analysis:
    return analyse([photo_path], setup)


@pytest.fixture(scope="module")
def limit_um(analysis) -> float:
    limits = analysis.photos[0].limits
    assert limits is not None
    assert np.count_nonzero(analysis.particles["below_sizing_limit"]) > 10
    assert 0 < limits.smallest_seen_um < limits.smallest_sized_um < 75
    return limits.smallest_sized_um


def test_a_particle_below_the_limit_is_marked_and_only_bounded(analysis, limit_um):
    for row in to_json(analysis)["particles"]:
        assert row["below_sizing_limit"] or row["ecd_um"] >= limit_um - 1e-3
        assert (row["passing_size_um"] is None) == (row["passing_below_um"] is not None)
        if row["passing_size_um"] is None:
            assert row["passing_below_um"] >= limit_um - 1e-3
        else:
            assert not row["below_sizing_limit"]
            assert row["passing_size_um"] >= limit_um - 1e-3


def test_a_rating_below_the_limit_has_no_share_and_no_count(analysis, limit_um):
    rows = to_json(analysis)["passing"]
    assert {row["measurable"] for row in rows} == {True, False}
    for row in rows:
        shares = [row[name]["share"] for name in ("by_count", "by_area", "by_volume")]
        assert row["measurable"] == (row["rating_um"] >= limit_um - 1e-3)
        assert all((share is not None) == row["measurable"] for share in shares)
        assert (row["through_count"] is not None) == row["measurable"]
        assert (row["band"]["low"] is not None) == row["measurable"]


def test_counts_and_percentiles_are_of_what_was_sized(analysis, limit_um):
    result = to_json(analysis)
    sizes, table = result["sizes"], analysis.particles
    counted = ~table["below_sizing_limit"] & (table["weight"] > 0)
    assert sizes["from_um"] >= limit_um - 1e-3
    assert sizes["count"] == np.count_nonzero(counted)
    assert sizes["seen_unsized"] == np.count_nonzero(table["below_sizing_limit"] & (table["weight"] > 0))
    for by in ("by_count", "by_area", "by_volume"):
        assert all(um is None or um >= limit_um - 1e-3 for um in sizes[by].values())
    assert result["amount"]["from_um"] >= limit_um - 1e-3
    for row in result["standards"]["iso_16232"]:
        assert (row["count"] is None) == (row["from_um"] < limit_um)
    assert result["standards"]["iso_4406"]["code"] is None
    for risk in result["orifices"]:
        for part in (risk["third"], risk["whole"]):
            assert part["measurable"] == (part["size_um"] >= limit_um - 1e-3)
            assert (part["count"] is None) == (not part["measurable"])


def test_csv_holds_the_same(analysis, limit_um, tmp_path):
    write_csv(analysis, tmp_path / "o.csv")
    rows = list(csv.DictReader(io.StringIO((tmp_path / "o.csv").read_text(encoding="utf-8"))))
    assert len(rows) == len(analysis.particles)
    for row in rows:
        if row["below_sizing_limit"] == "True" or not row["passing_size_um"]:
            assert row["passing_size_um"] == ""
            assert float(row["passing_below_um"]) >= limit_um - 1e-3
        else:
            assert float(row["ecd_um"]) >= limit_um - 1e-3
            assert float(row["passing_size_um"]) >= limit_um - 1e-3


def test_a_batch_row_holds_the_same(analysis, photo_path, setup, limit_um):
    row = _filled(photo_path, analysis)
    assert set(row) <= set(columns(setup))
    for rating in (150, 75, 30, 15):
        parts = [
            row[f"through_{rating}_um_{part}"] for part in ("by_count_share", "by_volume_share", "count")
        ]
        assert all((part is None) == (rating < limit_um) for part in parts)


def test_words_state_no_size_under_the_limit(analysis, limit_um, tmp_path):
    write_pdf(analysis, tmp_path / "o.pdf")
    pages = pypdfium2.PdfDocument(tmp_path / "o.pdf")
    pdf = " ".join(page.get_textpage().get_text_range() for page in pages)
    page = re.sub(r"<(style|svg|img).*?(</\1>|>)", " ", html_page(analysis, Visit()), flags=re.S)
    for text in (summary_text(analysis), html.unescape(re.sub(r"<[^>]+>", " ", page)), pdf):
        words = " ".join(text.split())
        told = list(re.finditer(r"(?<![\d.-])(\d+(?:\.\d+)?) ?[µu]m\b", words))
        assert len(told) > 10
        for size in told:
            near = words[max(0, size.start() - 110) : size.end() + 60]
            assert float(size[1]) >= np.floor(limit_um) or any(word in near for word in NOT_MEASURED), near


def test_a_piece_too_faint_at_any_size_is_bounded_by_its_own_length(analysis):
    table = analysis.particles[:2].copy()
    table["passing_size_um"] = table["ecd_um"]
    limits = SimpleNamespace(smallest_sized_um=1.0, smallest_sized_faint_um=np.inf)
    _put_limits(table, SimpleNamespace(limits=limits, contrast=np.array([0.2, 0.9])))
    assert table["below_sizing_limit"].tolist() == [True, False]
    assert table["passing_below_um"][0] == table["feret_max_um"][0]
    assert np.isnan(table["passing_size_um"]).tolist() == [True, False]


def test_two_photos_are_both_judged_by_the_coarser_ones_limit(analysis, limit_um):
    from triage.analysis import conclude

    coarse = replace(analysis.photos[0].limits, smallest_sized_um=2 * limit_um)
    photos = (analysis.photos[0], replace(analysis.photos[0], limits=coarse))
    found = conclude(analysis.particles, photos, analysis.sample, load_filters(packaged_list()))
    both = replace(analysis, photos=photos, sizes=found.sizes, passing=found.passing, further=found.further)
    assert found.sizes.from_um == pytest.approx(2 * limit_um)
    from triage.report.content import sized

    assert (sized(both)["ecd_um"] >= 2 * limit_um).all()
    assert len(sized(both)) == found.sizes.count

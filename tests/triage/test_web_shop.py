"""Settings, filter list, visits, further photos and the PDFs of the shop page."""

from __future__ import annotations

import io
import re
import secrets
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from calibration.calibrate import ByPoints, ByStated, HowScaled
from tests.triage.saved import invented, png
from tests.triage.shop import settled, token
from triage.analysis import Setup, analyse
from triage.filters import load_filters
from triage.filters.shelf import packaged_list
from triage.kept_shop import ShopSettings, load_logo, load_settings, save_filters, save_settings
from triage.record.book import (
    comparisons,
    correct,
    corrections,
    find_sample,
    load_analysis,
    load_measured,
    open_record,
    save_sample,
    visits,
)
from triage.record.entries import Correction
from triage.record.further_photos import known_photos
from triage.record.reports import compare_saved, sample_report
from triage.report.comparison_pdf import comparison_pdf
from triage.report.html import html_page
from triage.report.letterhead import LOGO
from triage.report.units import thou_first
from triage.report.visit import Visit
from triage.web.settings_pages import LOGO_BYTES
from triage.web.work import Asked, measure

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"
SETTINGS = {"name": "Yard Seven", "units": "um", "paper": "a4"}


@pytest.fixture
def head(pc):
    return {"x-triage-token": token(pc.get("/")), "accept": "application/json"}


# Settings


def test_settings_hold_for_every_phone_and_every_page(pc, saved, head):
    pc.post("/shop", data={**SETTINGS, "units": "thou", "paper": "letter"}, headers=head)
    page = pc.get(f"/samples/{saved}").text
    card = pypdfium2.PdfDocument(pc.get("/card.pdf").content)[0].get_size()

    assert load_settings() == ShopSettings("Yard Seven", "thou", "letter")
    assert "Yard Seven" in page
    assert "over 2.4 thou (60 µm)" in page  # 60 / 25.4
    assert "75 µm (" not in page
    assert card == pytest.approx((612, 792), abs=0.2)  # ANSI letter


@pytest.mark.parametrize(
    ("text", "turned"),
    [
        ("over 60 µm (0.0024 in), 12 pieces", "over 2.4 thou (60 µm), 12 pieces"),
        ("75 µm (3.0 thou)", "3 thou (75 µm)"),
        ("20 000 µm (0.787 in)", "787 thou (20 000 µm)"),
        ("3630 µm (0.143 in) across", "143 thou (3630 µm) across"),
        ("7-11 µm, no inches", "7-11 µm, no inches"),
    ],
)
def test_thousandths_come_first_where_asked(text, turned):
    assert thou_first(text) == turned


@pytest.mark.parametrize("bad", [{"units": "miles"}, {"paper": "../x"}, {"name": "x" * 81}])
def test_settings_that_cannot_be_are_refused(pc, head, bad):
    assert pc.post("/shop", data={**SETTINGS, **bad}, headers=head).status_code == 400
    assert load_settings() == ShopSettings()


def test_a_damaged_settings_file_is_as_none(pc, tmp_path):
    (tmp_path / "data" / "shop.json").write_text('{"name": 3, "units": []}', encoding="utf-8")

    assert pc.get("/shop").status_code == 200
    assert load_settings() == ShopSettings()


# The logo


def coded(kind: str, size=(300, 100)) -> bytes:
    stream = io.BytesIO()
    picture = Image.effect_noise(size, 60).convert("RGB")
    picture.save(stream, kind, exif=b"Exif\0\0secret place") if kind == "JPEG" else picture.save(stream, kind)
    return stream.getvalue()


def pictures_of(number: int) -> list[tuple[float, ...]]:
    """Return where pictures stand on the first page of a sample's report."""
    with open_record() as record:
        report = pypdfium2.PdfDocument(sample_report(record, number).data)
    return [each.get_bounds() for each in report[0].get_objects(filter=[3])]  # FPDF_PAGEOBJ_IMAGE


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_a_logo_is_written_anew_and_stands_on_page_and_report(pc, saved, head, kind):
    before = pictures_of(saved)
    answer = pc.put("/shop/logo", content=coded(kind), headers=head)
    shown = pc.get("/shop/logo.png")
    pictures = pictures_of(saved)

    assert answer.status_code == 200
    assert (shown.headers["content-type"], shown.content[:4]) == ("image/png", b"\x89PNG")
    assert b"secret" not in shown.content
    assert len(pictures) == len(before) + 1
    assert min(right - left for left, _, right, _ in pictures) <= LOGO[0]


@pytest.mark.parametrize(
    "content",
    [
        b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>",
        b"\x89PNG" + bytes(500),
        b"GIF89a" + bytes(100),
    ],
)
def test_what_is_no_logo_is_refused_with_a_sentence(pc, head, content):
    answer = pc.put("/shop/logo", content=content, headers=head)

    assert answer.status_code == 400
    assert load_logo() is None


def test_what_is_see_through_in_a_logo_becomes_white(pc, head):
    stream = io.BytesIO()
    Image.new("RGBA", (40, 20), (0, 0, 0, 0)).save(stream, "PNG")
    pc.put("/shop/logo", content=stream.getvalue(), headers=head)

    assert Image.open(io.BytesIO(load_logo() or b"")).getpixel((3, 3)) == (255, 255, 255)


def test_a_picture_bomb_is_no_logo(pc, head):
    stream = io.BytesIO()
    Image.new("1", (8_000, 8_000)).save(stream, "PNG")
    answer = pc.put("/shop/logo", content=stream.getvalue(), headers=head)

    assert answer.status_code == 400
    assert "too many pixels" in answer.json()["sentence"]


def test_a_logo_that_is_too_big_is_refused_unread(pc, head):
    answer = pc.put("/shop/logo", content=b"\x89PNG" + bytes(LOGO_BYTES), headers=head)

    assert answer.status_code == 413
    assert load_logo() is None


# The filter list


def test_a_filter_list_is_kept_or_its_mistake_told_by_line(pc, head, tmp_path):
    text = packaged_list().read_text(encoding="utf-8")
    own = text + '\n[[filter]]\nrating_um = 444\nelement = "screen"\nmeaning = "opening"\n'
    wrong = own.replace("444", '"many"')
    line = wrong.splitlines().index('rating_um = "many"') + 1
    kept = pc.post("/filters", data={"list": own.replace("\n", "\r\n")}, headers=head)
    refused = pc.post("/filters", data={"list": wrong}, headers=head)
    filters = load_filters()
    pc.post("/filters", data={"action": "own"}, headers=head)

    assert f"Kept: {len(filters)} filters" in kept.text
    assert 444 in {each.rating_um for each in filters}
    assert refused.status_code == 400
    assert f"line {line}: rating_um must be" in refused.text
    assert "&#34;many&#34;" in refused.text  # the text as it was typed
    assert str(tmp_path) not in refused.text
    assert 444 not in {each.rating_um for each in load_filters()}


@pytest.mark.parametrize("text", ["", "[[filter]", HOSTILE, "x" * 40_001])
def test_a_list_that_is_none_is_refused_and_shown_as_text(pc, head, text):
    answer = pc.post("/filters", data={"list": text}, headers=head)

    assert answer.status_code == 400
    assert "<script>alert" not in answer.text


def test_a_list_is_kept_whole_or_not_at_all(tmp_path):
    save_filters(packaged_list().read_text(encoding="utf-8"), tmp_path)

    assert [path.name for path in tmp_path.iterdir()] == ["filters.toml"]


# Visits


def test_a_visit_is_noted_changed_and_holds_its_sample(pc, saved, head):
    told = {"visited_on": "2026-05-12", "work_order": "WO 77", "complaint": HOSTILE, "parts": "filter, hose"}
    more = {"hours": "120", "noticed": ["water", "none"], "technician": "AB", "next_due": "after 100 h"}
    pc.post("/machines/1/visits", data={**told, **more, "sample": str(saved)}, headers=head)
    shown = pc.get("/machines/1").text
    pc.post("/visits/1", data={**told, **more, "hours": "130,5"}, headers=head)
    pc.post(f"/samples/{saved}/said", data={"unit": "pw-07"}, headers=head)
    with open_record() as record:
        (visit,) = visits(record, "PW-07")
        under = find_sample(record, saved).visit

    assert "work order WO 77" in shown
    assert "&lt;script&gt;alert(1)" in shown
    assert "<script>alert" not in shown + pc.get("/visits/1").text + pc.get(f"/samples/{saved}").text
    assert (visit.visited_on, visit.hours, visit.noticed) == (date(2026, 5, 12), 130.5, ("water",))
    assert under == visit.number


def test_a_sample_is_put_under_a_visit_and_taken_off_it(pc, saved, head):
    pc.post("/machines/1/visits", data={"visited_on": ""}, headers=head)
    seen = []
    for chosen in ("1", ""):
        pc.post(f"/samples/{saved}/visit", data={"visit": chosen}, headers=head)
        with open_record() as record:
            seen.append(find_sample(record, saved).visit)

    assert seen == [1, None]


@pytest.mark.parametrize(
    "bad", [{"visited_on": "31.5.2026"}, {"hours": "-3"}, {"noticed": "ghosts"}, {"sample": "99"}]
)
@pytest.mark.usefixtures("saved")
def test_a_visit_that_cannot_be_is_refused(pc, head, bad):
    assert pc.post("/machines/1/visits", data=bad, headers=head).status_code == 400


# Further photos


def drawn(folder: Path, seed: int, pieces: int = 12) -> Path:
    """Write a small picture of dark discs on pale paper; 20 µm a pixel is stated of it."""
    import cv2

    rng = np.random.default_rng(seed)
    picture = np.full((300, 400, 3), 235, np.float32)
    for _ in range(pieces):
        x, y, radius = int(rng.integers(30, 370)), int(rng.integers(30, 270)), int(rng.integers(4, 9))
        cv2.circle(picture, (x, y), radius, (90, 70, 60), -1, cv2.LINE_AA)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0) + rng.normal(0, 1.5, picture.shape)
    path = folder / f"spread_{seed}.png"
    path.write_bytes(png(np.clip(picture, 0, 255).astype(np.uint8)))
    return path


@pytest.fixture
def spread(app, tmp_path):  # noqa: ARG001 - the app must have made the record
    path = drawn(tmp_path, 1)
    analysis = analyse([path], Setup(how=HowScaled(ByStated(20.0))))
    with open_record() as record:
        return save_sample(record, analysis, [path]).number


def test_a_further_photo_is_measured_with_the_first_and_the_old_result_stays(spread, tmp_path):
    with open_record() as record:
        first = load_measured(record, spread)
        correct(record, spread, Correction(3, "kind", "rubber", "AB"))
        asked = Asked(secrets.token_hex(16), (drawn(tmp_path, 2),), HowScaled(), spread)
        outcomes = [measure(asked), measure(asked)]  # as after a broken line
        saved, both = find_sample(record, spread), load_measured(record, spread)
        moved = next(each for each in corrections(record, spread))
    old = first.particles[first.particles["id"] == 3][0]
    new = both.particles[both.particles["id"] == moved.particle][0]

    assert [outcome.number for outcome in outcomes] == [spread, spread]
    assert (saved.analyses, [each.file for each in saved.photos]) == (2, ["spread_1.png", "spread_2.png"])
    assert [photo.file for photo in both.photos] == ["spread_1.png", "spread_2.png"]
    assert len(both.particles) > len(first.particles)
    assert (new["x_px"], new["y_px"]) == pytest.approx((old["x_px"], old["y_px"]), abs=0.1)


def test_the_same_photo_again_or_one_that_cannot_be_measured_changes_nothing(spread, tmp_path):
    with open_record() as record:
        again = measure(Asked(secrets.token_hex(16), (tmp_path / "spread_1.png",), HowScaled(), spread))
        (tmp_path / "broken.jpg").write_bytes(b"\xff\xd8\xff" + bytes(99))
        broken = measure(Asked(secrets.token_hex(16), (tmp_path / "broken.jpg",), HowScaled(), spread))
        saved = find_sample(record, spread)

    assert again.number is broken.number is None
    assert "in this sample already" in again.faults[0].message
    assert (saved.analyses, len(saved.photos)) == (1, 1)


def test_a_scale_from_a_card_is_looked_for_again(saved):
    with open_record() as record:
        assert known_photos(record, saved).setup.how == HowScaled()
        assert known_photos(record, saved).further == HowScaled()


def test_a_photo_scaled_by_two_points_takes_another_with_its_own_two_points(app, tmp_path):  # noqa: ARG001 - see above
    """The second picture is the first at twice the size: by its own points the discs are of the same size."""
    first = drawn(tmp_path, 7)
    small = np.asarray(Image.open(first))
    big = tmp_path / "nearer.png"
    big.write_bytes(
        png(np.asarray(Image.fromarray(small[:, ::-1]).resize((800, 600), Image.Resampling.BICUBIC)))
    )
    by = HowScaled(ByPoints(20, 20, 320, 20, 6.0), window=(10, 10, 380, 280))  # 20 um a pixel
    with open_record() as record:
        alone = analyse([first], Setup(how=by))
        number = save_sample(record, alone, [first]).number
        key = secrets.token_hex(16)
        unscaled = measure(Asked(key, (big,), HowScaled(), number))
        own = HowScaled(ByPoints(0, 0, 600, 0, 6.0))  # 10 um a pixel
        done = measure(Asked(key, (big,), own, number))
        both = load_measured(record, number)
        again = known_photos(record, number)
    old, new = (both.particles[both.particles["photo"] == index] for index in (0, 1))

    assert unscaled.number is None
    assert unscaled.faults[0].code == "no_card"
    assert done.number == number
    assert [photo.scale.um_per_px for photo in both.photos] == pytest.approx([20.0, 10.0])
    assert [photo.scale.source for photo in both.photos] == ["points", "points"]
    was = alone.photos[0]
    assert both.photos[0].scale.um_per_px_rel_u == pytest.approx(was.scale.um_per_px_rel_u, rel=1e-6)
    assert both.photos[0].window_px == pytest.approx(was.window_px, abs=1e-6)
    assert np.sort(old["ecd_um"]) == pytest.approx(np.sort(alone.particles["ecd_um"]), rel=1e-6)
    assert len(new) >= len(old) > 5
    assert np.median(new["ecd_um"]) == pytest.approx(np.median(old["ecd_um"]), rel=0.05)
    assert isinstance(again.setup.hows[1].by, ByPoints)


def test_two_points_are_asked_of_one_photo_at_a_time(pc, head):
    key = secrets.token_hex(16)
    blank = png(np.full((300, 400, 3), 230, np.uint8))
    for index in (0, 1):
        pc.put(f"/photos/{key}/{index}", content=blank, headers=head)
    pc.post(f"/photos/{key}", headers=head)
    settled(pc, key)
    page = pc.get(f"/photos/{key}").text
    points = {"way": "points", "x1": "10", "y1": "10", "x2": "300", "y2": "10", "mm": "5"}
    answer = pc.post(f"/photos/{key}/scale", data=points, headers=head)

    assert "one photo is measured at a time" in page
    assert 'value="points"' not in page
    assert answer.status_code == 400
    assert "one by one" in answer.json()["sentence"]


# PDFs


def words_of(data: bytes) -> str:
    pages = (page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(data))
    return " ".join(" ".join(text.split()) for text in pages)


@pytest.fixture
def second(app, tmp_path):  # noqa: ARG001 - the app must have made the record
    made = invented(tmp_path / "photos", count=9, seed=6)
    with open_record() as record:
        return save_sample(record, made.analysis, [made.photo], unit="PW-07").number


def test_comparison_and_history_come_as_pdfs_named_by_unit_date_and_work_order(pc, saved, second, head):
    visit = {"visited_on": "2026-05-12", "work_order": "WO/77", "parts": "hose", "sample": str(second)}
    pc.post("/machines/1/visits", data=visit, headers=head)
    save_settings(ShopSettings("Yard Seven"))
    both = pc.get("/compare.pdf", params={"before": saved, "after": second})
    history = pc.get("/machines/1/history.pdf")
    compared, past = words_of(both.content), words_of(history.content)

    assert f'PW-07_2026-05-12_WO-77_samples-{saved}-{second}.pdf"' in both.headers["content-disposition"]
    assert 'PW-07_2026-05-12_WO-77_history.pdf"' in history.headers["content-disposition"]
    for part in ("Yard Seven", "before and after", "Both at the same scale"):
        assert part in compared
    for part in ("How much", "How big", "What it looks like", "2 samples, 1 visit.", "WO/77", "hose"):
        assert part in past
    assert "Too little to tell a trend" in past  # both of one day
    assert pc.get("/compare.pdf", params={"before": saved, "after": 77}).status_code == 400


def test_reports_tell_sizes_in_the_unit_that_the_shop_has_set(pc, saved, second):
    """In each unit's own order: no size in a report is left in the other one’s."""
    read = {}
    for units in ("um", "thou"):
        save_settings(ShopSettings(units=units))
        paths = (f"/samples/{saved}/report.pdf", f"/compare.pdf?before={saved}&after={second}")
        files = [pc.get(path).content for path in (*paths, "/machines/1/history.pdf")]
        with open_record() as record:
            page = html_page(load_analysis(record, saved), Visit())
        read[units] = [*map(words_of, files), page]
    microns_first, thou_words = re.compile(r"\d µm \([\d.]+ in\)"), re.compile(r"[\d.]+ thou \([\d ]+ µm\)")

    assert all(microns_first.search(text) and not thou_words.search(text) for text in read["um"])
    assert all(thou_words.search(text) and not microns_first.search(text) for text in read["thou"])
    # 75 / 25.4 = 2.95: table and chart, whose thousandths are round
    assert "filter thou µm" in read["thou"][0]
    assert "3.0 screen 75" in read["thou"][0]
    assert "filter ratings, thou" in read["thou"][0]
    assert re.search(r'<th scope="row">3.0 thou screen</th><td data-head="µm">75</td>', read["thou"][3])
    assert "half of them over, thou (µm)" in read["thou"][2]
    assert "75 screen 3.0" in read["um"][0]


def test_a_comparison_is_kept_with_both_samples(pc, saved, second, head):
    pc.post("/compare", data={"before": saved, "after": second}, headers=head)
    page = pc.get(f"/compare?before={saved}&after={second}").text
    with open_record() as record:
        (kept,) = comparisons(record, saved)
        assert comparisons(record, second) == (kept,)

    assert (kept.before, kept.after) == (saved, second)
    assert kept.result["before"]["count"] > kept.result["after"]["count"]
    assert "Kept on " in page
    for number in (saved, second):
        assert f"/compare?before={saved}&amp;after={second}" in pc.get(f"/samples/{number}").text
    assert pc.post("/compare", data={"before": "x", "after": "1"}, headers=head).status_code == 400
    assert pc.post("/compare", data={"before": saved, "after": saved}, headers=head).status_code == 400


def test_both_sides_of_a_comparison_are_drawn_at_one_scale(saved, second):
    """The second photo's pixels are said to be half as large: it is drawn half as wide."""
    with open_record() as record:
        one, other = load_analysis(record, saved), load_analysis(record, second)
        found = compare_saved(record, saved, second)
    scale = replace(other.photos[0].scale, um_per_px=one.photos[0].scale.um_per_px / 2)
    other = replace(other, photos=(replace(other.photos[0], scale=scale),))
    page = pypdfium2.PdfDocument(comparison_pdf(found, (one, other)))[0]
    wide = sorted(right - left for left, _, right, _ in (each.get_bounds() for each in page.get_objects([3])))

    assert wide[0] / wide[1] == pytest.approx(0.5, rel=0.01)

"""The same photo gives the same result to the bit, however many threads there are and wherever arrays lie."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.calibrate import ByCard, ByStated, HowScaled
from calibration.card import make_frame
from calibration.edges import magnitude
from calibration.kept import Kept
from tests.calibration.rendered import Shot, photographed, printed, true_plane
from tests.triage.odd_pictures import debris_picture
from triage.analysis import Setup, analyse


@pytest.fixture(scope="module")
def card_photo(tmp_path_factory) -> Path:
    """The wide frame at 70 um a pixel, dark specks in its window: over 1,024 rows, so in three strips."""
    frame = make_frame("wide", number=3)
    shot = Shot(size=(1900, 1500), um_per_px=70.0, turn_deg=2.0, tilt_deg=3.0)
    page = printed(frame, dpi=600)
    rng = np.random.default_rng(5)
    x, y, width, height = frame.debris_rect_mm
    for at in rng.uniform((x + 4, y + 4), (x + width - 4, y + height - 4), (60, 2)):
        cv2.circle(
            page.light, np.rint(at * page.per_mm).astype(int).tolist(), int(rng.integers(6, 22)), 0.1, -1
        )
    path = tmp_path_factory.mktemp("photo") / "card.png"
    cv2.imwrite(str(path), photographed(page, true_plane(frame, shot), shot))
    return path


@pytest.fixture(scope="module")
def small_photo(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("photo") / "small.png"
    cv2.imwrite(str(path), debris_picture())
    return path


@pytest.fixture
def threads():
    """Sets OpenCV's threads, which those of the strips follow; puts them back."""
    before = cv2.getNumThreads()
    yield cv2.setNumThreads
    cv2.setNumThreads(before)


@pytest.mark.parametrize(("name", "by"), [("small_photo", ByStated(10.0)), ("card_photo", ByCard())])
def test_same_bits_for_any_number_of_threads(name, by, request, threads):
    path = request.getfixturevalue(name)
    setup = Setup(how=HowScaled(by, kept=Kept()))
    found, held = [], []
    for count in (1, 2, 2, 5, 1):
        threads(count)
        held.append(np.zeros(7919 * (len(held) + 1), np.uint8))  # moves what is allocated next
        analysis = analyse([path], setup)
        found.append(
            (
                analysis.particles.tobytes(),
                b"".join(outline.tobytes() for outline in analysis.outlines),
                repr((analysis.photos[0].scale, analysis.photos[0].limits, analysis.photos[0].problems)),
                repr((analysis.sizes, analysis.passing, analysis.advice)),
            )
        )

    assert len(analysis.particles) > 20
    assert [each == found[0] for each in found] == 5 * [True]


def test_magnitude_is_the_same_wherever_its_arrays_lie():
    rng = np.random.default_rng(1)
    size, values = (61, 83), rng.standard_normal((2, 61 * 83)).astype(np.float32)
    seen = set()
    for shift in range(16):
        room = np.empty(2 * (values.shape[1] + 16) + 16, np.float32)
        parts = []
        for k in range(2):
            start = k * (values.shape[1] + 16) + shift * (k + 1) % 16
            part = room[start : start + values.shape[1]]
            part[:] = values[k]
            parts.append(part.reshape(size))
        seen.add(magnitude(*parts).tobytes())
        np.testing.assert_allclose(magnitude(*parts).ravel(), np.hypot(*values.astype(float)), rtol=3e-7)

    assert len(seen) == 1

"""Every kind of picture whole, and damaged in many ways: measured or refused in one sentence, at little cost.

The long campaign is `python -m tests.benchmarks.fuzz_photos`; this is a short run of the same.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from calibration.calibrate import ByStated, HowScaled
from calibration.kept import Kept
from tests.triage.odd_pictures import odd_pictures
from triage.analysis import Setup, analyse
from triage.errors import UserError

REFUSED = {
    "inks.jpg": "printing inks",
    "inks.tif": "printing inks",
    "broken_profile.jpg": "damaged colour profile",
    "cut_short.jpg": "cut short",
    "animated.png": "animation",
    "animated.webp": "animation",
}


@pytest.fixture(scope="module")
def pictures() -> dict[str, bytes]:
    return odd_pictures()


def test_whole_ones_are_measured_or_refused_for_what_they_are(pictures, tmp_path):
    counts = {}
    for name, data in pictures.items():
        path, setup = tmp_path / name, Setup(how=HowScaled(ByStated(10.0), kept=Kept()))
        path.write_bytes(data)
        if name in REFUSED:
            with pytest.raises(UserError, match=REFUSED[name]):
                analyse([path], setup)
        else:
            counts[name] = analyse([path], setup).sizes.count
    assert len(counts) > 25
    assert "tiled.tif" in counts
    # 25 discs were drawn; dithered to two levels or shrunk to a messenger's size they are others.
    whole = {name: count for name, count in counts.items() if name not in {"two_level.png", "fax.tif"}}
    assert set(whole.values()) <= {24, 25}, whole


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the campaign forks, which this system cannot")
def test_short_campaign_finds_nothing(tmp_path):
    command = [sys.executable, "-m", "tests.benchmarks.fuzz_photos", "--count", "45", "--seed", "9"]
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run(
        [*command, "--keep", str(tmp_path)], cwd=root, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "measured" in done.stdout
    assert list(tmp_path.iterdir()) == []

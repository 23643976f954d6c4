"""Limits against published figures, and their proof by discs drawn into the photo's own paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.calibrate import ByStated, HowScaled, calibrate
from calibration.scale import PlaneMap
from tests.benchmarks.limits_validation import Case, Picture, measured, picture, true_limit
from triage.analysis import Limits as StatedLimits
from triage.analysis import _limits, _seen_in_debris
from triage.debris import measure
from triage.debris.by_light import blurred_disc
from triage.debris.limits import (
    FAINT,
    NOT_REACHABLE,
    OPAQUE,
    Limits,
    Proof,
    Region,
    Sight,
    Trial,
    limits_of,
    regions_of,
)
from triage.debris.proof import prove
from triage.debris.tabulate import Debris
from triage.report.limit_words import limit_lines

REGION = Region((0, 0, 100, 100), 10.0, 1.0)


def sight(noise: float, blur_px: float = 1.3, seed_snr: float = 6.0) -> Sight:
    """Independent noise of a pixel; smoothing by the blur leaves it over 2 sigma root pi."""
    smoothed = noise / (2 * blur_px * np.sqrt(np.pi))
    return Sight(blur_px, blur_px, seed_snr * smoothed, noise, smoothed)


@pytest.mark.parametrize(("contrast", "published_px"), [(0.9, 1.0), (0.3, 1.6), (0.1, 2.9)])
def test_seen_from_the_published_sizes(contrast, published_px):
    """Blur 1.3 px, noise 2 %: the project's anchor, itself found with a cut at about five of the noise."""
    seen, _ = sight(0.02, seed_snr=5.0).smallest_px(contrast)
    assert seen == pytest.approx(published_px, rel=0.08)


@pytest.mark.parametrize("blur_px", [0.8, 1.3, 3.0])
def test_the_level_is_that_of_a_blurred_disc(blur_px):
    """Without noise, off-centre places left to the worst tenth: the peak is that of blurred_disc."""
    level = 0.2
    seen, _ = Sight(blur_px, blur_px, level, 0.0, 0.0).smallest_px(OPAQUE)
    total = blur_px * np.sqrt(2)
    places = np.random.default_rng(0).uniform(-0.5, 0.5, (4000, 2))
    peaks = OPAQUE * blurred_disc(np.hypot(*places.T) / total, seen / total)
    assert np.quantile(peaks, 0.1) == pytest.approx(level, rel=0.03)


def test_more_noise_blur_and_less_contrast_raise_every_limit():
    quiet, noisy, soft = sight(0.02), sight(0.06), sight(0.02, blur_px=2.6)
    for contrast in (OPAQUE, FAINT):
        least = np.array(quiet.smallest_px(contrast))
        assert (np.array(noisy.smallest_px(contrast)) >= least).all()
        assert (np.array(soft.smallest_px(contrast)) > least).all()
    assert quiet.smallest_px(FAINT)[0] > quiet.smallest_px(OPAQUE)[0]


def test_what_no_size_reaches_is_no_number():
    """Noise so strong that the level to be seen lies above the contrast of faint discs, not of dark ones."""
    strong = Sight(1.3, 1.3, 0.4, 0.1, 0.02)
    assert strong.smallest_px(FAINT) == (NOT_REACHABLE, NOT_REACHABLE)
    limits = limits_of(strong, 10.0, [REGION], None)
    assert (limits.smallest_seen_faint_um, limits.smallest_sized_faint_um) == (NOT_REACHABLE,) * 2
    assert limits.regions[0].smallest_sized_faint_um is None
    assert np.isfinite([limits.smallest_seen_um, limits.smallest_sized_um]).all()
    # Seen, but light never sizes it: one pixel's noise a hundred times what the largest tabulated disc takes.
    assert np.isfinite(Sight(1.3, 1.3, 0.04, 300.0, 0.0).smallest_px(OPAQUE)[0])
    assert Sight(1.3, 1.3, 0.04, 300.0, 0.0).smallest_px(OPAQUE)[1] == NOT_REACHABLE
    stated = _limits(Debris(np.empty(0), (), limits, 0.0, 1.0))
    assert stated.smallest_seen_faint_um is None
    assert "a faint one not seen in this photo" in limit_lines(stated)[0]


def test_a_photo_in_which_nothing_can_be_sized_is_refused():
    blind = Limits(30.0, NOT_REACHABLE, NOT_REACHABLE, NOT_REACHABLE, NOT_REACHABLE)
    debris = Debris(np.empty(0), (), blind, 0.0, 1.0)
    rgb = np.full((64, 64, 3), 200, np.uint8)
    rgb[::7, ::5] = 190
    problems = _seen_in_debris(calibrate(rgb, HowScaled(by=ByStated(10.0))), debris)
    assert [(each.code, each.fatal) for each in problems] == [("blurred", True)]
    assert problems[0].remedy


def test_the_worst_region_decides():
    regions = [
        replace(REGION, um_per_px=scale, noise_ratio=ratio) for scale, ratio in ((8, 1), (10, 1), (9, 2))
    ]
    limits = limits_of(sight(0.05), 9.0, regions, None)
    each = [limits_of(sight(0.05), 9.0, [region], None) for region in regions]
    for name in (
        "smallest_seen_um",
        "smallest_sized_um",
        "smallest_seen_faint_um",
        "smallest_sized_faint_um",
    ):
        assert getattr(limits, name) == max(getattr(one, name) for one in each)
        assert [getattr(one, name) for one in limits.regions] == [getattr(one, name) for one in each]
    assert limits.smallest_sized_um > each[0].smallest_sized_um


def test_regions_know_their_own_noise_and_place():
    """Right third twice as noisy; a plane of 10 um a pixel."""
    light = np.random.default_rng(1).normal(0, 0.01, (300, 450)).astype(np.float32)
    light[:, 300:] *= 2
    found = regions_of(light, np.ones(light.shape, np.uint8), PlaneMap.similarity(10.0), (7, 5))
    assert len(found) == 9
    assert found[0].box_px == (7, 5, 157, 105)
    assert [each.um_per_px for each in found] == pytest.approx([10.0] * 9)
    assert [each.noise_ratio for each in found] == pytest.approx([1, 1, 2] * 3, rel=0.15)


@pytest.fixture(scope="module")
def bench():
    """A small photo of discs, with what its proof was called with."""
    sizes = np.concatenate([np.repeat(np.geomspace(1.5, 6.0, 5), 5), np.full(4, 12.0)])
    photo = picture(sizes, Case(1.2, 2.5, 0.9), seed=2)
    taken: list[tuple] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(measure, "prove", lambda *given: taken.append(given) or prove(*given))
        debris = measured(photo)
    return photo, debris, taken[0]


def test_the_proof_holds_where_the_limits_are_right(bench):
    _, debris, _ = bench
    proof = debris.limits.proved
    assert proof.why_not is None
    for trial, contrast in ((proof.dark, OPAQUE), (proof.faint, FAINT)):
        assert (trial.contrast, trial.seen_raised, trial.sized_raised) == (contrast, 1.0, 1.0)
        assert trial.found_share >= 0.8
        assert abs(trial.bias) < 0.10
        assert trial.scatter < 0.15
    assert trial.drawn >= 24


def test_the_same_photo_gives_the_same_bits(bench):
    _, debris, given = bench
    assert prove(*given) == debris.limits.proved


def test_too_optimistic_a_limit_is_raised_to_what_is_found(bench):
    """The sight claims a third of the level that is truly asked; the finder goes by the photo's own."""
    _, _, (ground, measuring, um_per_px) = bench
    own = ground.sight
    bold = replace(ground, sight=replace(own, seed_level=own.seed_level / 3, smoothed_noise=0.0))
    trial = prove(bold, measuring, um_per_px).dark
    claimed, true = bold.sight.smallest_px(OPAQUE)[0], own.smallest_px(OPAQUE)[0]
    assert claimed < 0.7 * true
    assert trial.seen_raised > 1.2
    assert 0.85 < claimed * trial.seen_raised / true < 1.3  # steps of a quarter
    limits = limits_of(bold.sight, 1.0, [replace(REGION, um_per_px=1.0)], Proof(dark=trial))
    assert limits.smallest_seen_um == pytest.approx(claimed * trial.seen_raised)


def test_sizes_that_are_wrong_at_every_size_leave_no_limit(bench, monkeypatch):
    monkeypatch.setattr("triage.debris.proof.RAISES", 2)
    _, _, (ground, measuring, um_per_px) = bench

    def wrong(found, departure):
        pieces, sizes = measuring(found, departure)
        return pieces, replace(sizes, value=1.4 * sizes.value)

    trial = prove(ground, wrong, um_per_px).dark
    assert trial.sized_raised is None
    assert trial.bias > 0.3
    limits = limits_of(ground.sight, um_per_px, [REGION], Proof(dark=trial))
    assert limits.smallest_sized_um == NOT_REACHABLE
    assert np.isfinite(limits.smallest_seen_um)


def test_too_little_bare_paper_is_said(bench):
    photo, _, _ = bench
    crowded = Picture(np.ascontiguousarray(photo.rgb[:110, :110]), photo.xy[:0], photo.diameter[:0])
    limits = measured(crowded).limits
    assert limits.proved == Proof(why_not="too little bare paper")
    stated = StatedLimits(30.0, 10.0, 20.0, 15.0, 20.0, (), limits.proved)
    assert limit_lines(stated)[1] == "These limits are computed, not proved: too little bare paper."


def test_the_words_tell_what_came_and_what_was_raised():
    trial = Trial(0.9, 40, 1.2, 0.925, 1.0, 2.5, 0.012, 0.06, 1.0)
    raised = replace(trial, contrast=0.3, sized_raised=1.15)
    said = limit_lines(StatedLimits(30, 10, 20, 15, 20, (), Proof(trial, raised, 0, 50.0)))[1]
    assert "40 discs" in said
    assert "dark 92 % found, sizes +1 ± 6 %" in said
    assert "Limits for faint ones were raised" in said


def test_a_limit_is_read_between_the_sizes_drawn():
    """Half of one size found, all of the next: 90 % lies four fifths of the way, in the logarithm."""
    diameter = np.repeat([1.0, 2.0, 4.0], 10)
    hit = np.array([False] * 10 + [True] * 5 + [False] * 5 + [True] * 10)
    assert true_limit(diameter, hit) == pytest.approx(2.0 * 2.0**0.8)
    assert np.isnan(true_limit(diameter, np.ones(30, bool)))

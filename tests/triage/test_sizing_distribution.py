"""Mean diameters, percentiles and volumes against ASTM E799's example, Hatch-Choate and plain geometry."""

import numpy as np
import pytest

from tests.triage.tables import round_grains
from triage.sizing import moment_mean, size_distribution
from triage.sizing.distribution import volumes_um3

# ASTM E799, worked example (drop sizes), as quoted in the tests of the `fluids` library.
E799_EDGES = [240, 360, 450, 562.5, 703, 878, 1097, 1371, 1713, 2141, 2676, 3345, 4181, 5226, 6532]
E799_COUNTS = [65, 119, 232, 410, 629, 849, 990, 981, 825, 579, 297, 111, 21, 1]
E799_VOLUME_PERCENT = [
    *(0.005, 0.021, 0.081, 0.280, 0.837, 2.202, 5.010),
    *(9.687, 15.900, 21.788, 21.826, 15.930, 5.885, 0.547),
]


def e799(per_bin):
    """Sizes spread evenly inside each bin, and the number each stands for."""
    lower, upper = np.array(E799_EDGES[:-1]), np.array(E799_EDGES[1:])
    inside = (np.arange(per_bin) + 0.5) / per_bin
    sizes = lower[:, None] + (upper - lower)[:, None] * inside
    return sizes.ravel(), np.repeat(np.array(E799_COUNTS) / per_bin, per_bin)


@pytest.mark.parametrize(
    ("p", "q", "even", "midpoint"),
    [  # pieces spread evenly in each bin (published); all at its midpoint (computed)
        (1, 0, 1459.37, 1459.4),
        (2, 0, 1646.57, 1643.2),
        (3, 0, 1832.40, 1824.9),
        (2, 1, 1857.79, 1850.2),
        (3, 1, 2053.27, 2040.7),
        (3, 2, 2269.32, 2250.9),
        (4, 3, 2670.75, 2638.5),
    ],
)
def test_moment_means_reproduce_the_astm_e799_example(p, q, even, midpoint):
    assert moment_mean(*_first(e799(1), p, q)) == pytest.approx(midpoint, abs=0.06)
    assert moment_mean(*_first(e799(2000), p, q)) == pytest.approx(even, abs=0.02)


def _first(weighted, p, q):
    return weighted[0], p, q, weighted[1]


def test_volume_percentages_reproduce_the_astm_e799_example():
    sizes, number = e799(500)
    table = round_grains(sizes)
    volume = (volumes_um3(table) * number).reshape(-1, 500).sum(axis=1)
    assert 100 * volume / volume.sum() == pytest.approx(E799_VOLUME_PERCENT, abs=0.006)


LOG_NORMAL_PARTS = (np.arange(200_000) + 0.5) / 200_000


def log_normal(median, gsd):
    from scipy.special import ndtri

    return median * np.exp(np.log(gsd) * ndtri(LOG_NORMAL_PARTS))


@pytest.mark.parametrize(
    ("p", "q", "expected"), [(1, 0, 22.3356), (3, 2, 34.7434), (4, 3, 43.3321), (0, 0, 20.0), (3, 3, 38.8009)]
)
def test_moment_means_of_a_log_normal_follow_hatch_choate(p, q, expected):
    """Hatch-Choate, count median 20, GSD 1.6; D[0,0] is the median, D[3,3] the mass median."""
    assert moment_mean(log_normal(20.0, 1.6), p, q) == pytest.approx(expected, rel=1e-3)


def test_percentiles_by_number_area_and_volume_follow_hatch_choate():
    """Median by area CMD exp(2 s^2), by volume CMD exp(3 s^2); 10 and 90 % lie 1.2816 s away from each."""
    spread = np.log(1.6)
    sizes = size_distribution(round_grains(log_normal(60.0, 1.6)), from_um=1.0)
    for power, part in ((0, sizes.by_count), (2, sizes.by_area), (3, sizes.by_volume)):
        median = 60.0 * np.exp(power * spread**2)
        expected = median * np.exp(1.2815516 * spread * np.array([-1, 0, 1]))
        assert (part.d10_um, part.d50_um, part.d90_um) == pytest.approx(tuple(expected), rel=3e-3)


def test_only_sized_particles_of_at_least_the_limit_are_described():
    table = round_grains([10, 20, 40, 50, 60], limit_um=30)
    sizes = size_distribution(table, from_um=45)
    assert (sizes.count, sizes.seen_unsized, sizes.from_um) == (2, 2, 45)


def test_edge_weights_enter_the_percentiles_and_cut_particles_do_not_count():
    """Miles-Lantuejoul: frame 1000 x 800, piece 100 x 50: weight 1/0.84375; one that is cut weighs 0."""
    heavy = 1 / 0.84375
    table = round_grains([50, 100, 150, 400])
    table["weight"] = [1.0, heavy, 1.0, 0.0]
    sizes = size_distribution(table, 10)
    assert sizes.count == 3
    assert sizes.by_count.d50_um == pytest.approx(100)
    table["weight"] = [1.0, 1.0, heavy, 0.0]  # half of 3.185 lies 0.0926 above the middle of the second piece
    assert size_distribution(table, 10).by_count.d50_um == pytest.approx(100 + 50 * 0.0926 / 1.0926, abs=0.01)


def test_a_percentile_is_not_given_where_one_piece_would_decide_it():
    few = size_distribution(round_grains([50.0] * 9), 10)
    assert few.by_count.d10_um is None
    assert few.by_count.d50_um == pytest.approx(50)
    enough = size_distribution(round_grains([50.0] * 10), 10)
    assert enough.by_count.d90_um == pytest.approx(50)
    lopsided = size_distribution(round_grains([50.0] * 30 + [1000.0]), 10)
    assert lopsided.by_volume.d50_um is None


def test_few_pieces_have_a_median_but_no_tails():
    """A tenth of five pieces is none on either side; of ten it is one."""
    few, enough = (size_distribution(round_grains([50.0] * count), 30.0).by_count for count in (5, 10))
    assert (few.d10_um, few.d50_um, few.d90_um) == (None, 50.0, None)
    assert (enough.d10_um, enough.d50_um, enough.d90_um) == (50.0, 50.0, 50.0)


def test_an_empty_table_gives_no_percentiles_and_garwoods_upper_limit():
    sizes = size_distribution(round_grains([]), 30)
    assert (sizes.count, sizes.by_volume.d50_um) == (0, None)
    assert (sizes.count_low, sizes.count_high) == pytest.approx((0, 3.6889), abs=1e-4)


def test_volume_of_a_sphere_and_of_a_thread():
    table = round_grains([100.0, 100.0, 100.0])
    table["kind"] = ["grit", "fibre", "fibre"]
    table["length_um"], table["width_um"] = 1000.0, [100.0, 20.0, np.nan]
    table["area_um2"] = [np.pi / 4 * 1e4, 20_000.0, 8_000.0]  # the last: 8 um wide, too thin to measure
    expected = [np.pi / 6 * 100**3, np.pi / 4 * 20**2 * 1000, np.pi / 4 * 8**2 * 1000]
    assert volumes_um3(table) == pytest.approx(expected)

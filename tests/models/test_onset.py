"""Where stress sets in, from records made by hand: seen, not seen, and never taken where it was only told.

Readings come from the project's own balance of a spot, with stress where the test puts it: they show that the
arithmetic does what it should. What turf of another physics shows is in `tests/physics/test_onset.py`.
"""

from dataclasses import replace

import numpy as np
import pytest

from models import onset
from models.kin import EstimationProbes, EstimationZones
from models.onset import MOST_FRACTION, STEPS, Onset, learn_onset
from models.sensor_line import SensorLine
from models.spot_fit import Record, fit_spots, run_spots

NIGHTS, TAW, ROOT, CAPACITY, P = 100, 40.0, 0.25, 0.26, 0.4


def dried(true_step, spots=2, zones=3, catch=0.62, seed=0, noise=0.003, gain=1.0, mean_et=4.0):
    """Zones given three quarters of their demand twice a week; spots in the first ones catch less: dry for weeks.

    A storm every five weeks fills all. Stress sets in at `true_step` of RAW as told.
    """
    rng = np.random.default_rng(seed)
    table = EstimationZones(
        np.zeros(zones, dtype=int), np.full(zones, TAW), np.full(zones, CAPACITY), np.full(zones, ROOT),
        np.full(zones, 0.9),
    )  # fmt: skip
    probes = EstimationProbes(np.arange(spots), np.full(spots, np.nan), np.arange(spots))
    etc = np.clip(mean_et + rng.normal(0, 1.0, NIGHTS), 1.0, 8.0)
    nightly = np.where(np.arange(NIGHTS) % 4 == 0, 13.0, 0.0)
    rain = np.where(np.arange(NIGHTS) % 35 == 20, 40.0, 0.0)
    told = [np.tile(a, (zones, 1)) for a in (nightly, etc, rain)]
    group = np.zeros(zones, dtype=np.int64)
    record = Record(table, probes, np.full((spots, NIGHTS), np.nan), *told, np.full((zones, NIGHTS), P), group, group)
    case = (np.full((spots, 1), v) for v in (0.0, np.log(catch), 0.06, true_step))
    level = run_spots(record, np.arange(spots), *case).depletion[:, :, 0].T
    moisture = CAPACITY - gain * level / (1000 * ROOT) + rng.normal(0, noise, level.shape)
    return replace(record, moisture=moisture)


def learned(record):
    return learn_onset(record, fit_spots(record)[0])


@pytest.mark.parametrize(("gain", "seed"), [(1.0, 1), (0.7, 2)])
def test_turf_that_drew_water_past_the_limit_told_may_go_farther(gain, seed):
    found = learned(dried(2.0, seed=seed, gain=gain))
    assert found.holds[:2].all() and (found.spots == 2).all() and (found.pairs > 0).all()
    assert (1.0 < found.offered[:2]).all() and (found.offered[:2] <= 0.9 * 2.0).all()
    assert (found.low[:2] < 0.9 * 2.0).all() and (found.high[:2] > 0.9 * 2.0).all()
    assert 1.0 <= found.offered[2] < found.offered[0]  # no dry spot of its own: less
    assert found.low[2] < found.low[0] and found.high[2] > found.high[0]
    assert (found.own[:2] > 20).all() and found.own[2] == 0


def test_a_zone_is_let_go_less_far_where_its_driest_quarter_catches_less():
    record = dried(2.0, seed=1)
    even, uneven = (replace(record, zones=replace(record.zones, du_lq=np.full(3, du))) for du in (1.0, 0.8))
    even, uneven = learned(even), learned(uneven)
    for name in ("offered", "low", "high"):
        np.testing.assert_allclose(getattr(uneven, name)[:2], 0.8 * getattr(even, name)[:2])


@pytest.mark.parametrize("seed", range(4))
def test_stress_where_it_was_told_or_before_is_not_taken_farther(seed):
    for true in (0.7, 1.0):
        found = learned(dried(true, seed=seed))
        assert not found.holds.any() or (found.offered < 1.1).all()


def test_what_was_never_dry_says_nothing():
    found = learned(dried(2.0, catch=1.6, mean_et=2.5))
    assert (found.spots == 0).all() and (found.pairs == 0).all() and not found.holds.any()
    np.testing.assert_array_equal(found.offered, 1.0)
    assert (found.low < 0.6).all() and (found.high > 1.7).all()  # the prior's own


def test_a_silent_probe_says_nothing():
    record = dried(2.0)
    record.moisture[:, :] = np.nan
    found = learned(record)
    assert (found.spots == 0).all() and not found.holds.any()


def test_grounds_do_not_teach_each_other():
    record = dried(2.0, spots=1, seed=1)
    found = learned(replace(record, ground=np.array([0, 0, 7])))
    assert (found.spots == [1, 1, 0]).all() and found.offered[2] == 1.0 and not found.holds[2]


def test_the_driest_spots_of_a_ground_are_heard(monkeypatch):
    monkeypatch.setattr(onset, "MOST_SPOTS", 1)
    assert (learned(dried(2.0)).spots == 1).all()


def test_a_fraction_is_never_less_than_told_nor_past_where_fao_lets_it_go():
    of = np.array([1.0, 1.5, 3.0])
    none = np.zeros(3, dtype=np.int64)
    found = Onset(of, of - 0.5, of + 0.5, none, none, none, np.zeros(3), np.ones(3, dtype=bool))
    fraction = found.of_fraction(np.array([0.4, 0.4, 0.5]))
    np.testing.assert_allclose(fraction.values, [0.4, 0.6, MOST_FRACTION])
    np.testing.assert_allclose(fraction.low, [0.2, 0.4, MOST_FRACTION])
    np.testing.assert_allclose(fraction.high, [0.6, 0.8, MOST_FRACTION])
    np.testing.assert_allclose(fraction.prior, [0.4, 0.4, 0.5])


def test_chances_are_read_off_the_steps():
    at = np.zeros(STEPS.size)
    at[3] = 1.0  # all at 1.25, that is between 1.12 and 1.41
    low, high = np.sqrt(STEPS[2] * STEPS[3]), np.sqrt(STEPS[3] * STEPS[4])
    assert onset._quantile(at, 0.5) == pytest.approx(np.sqrt(low * high))
    at[3], at[0] = 0.5, 0.5
    assert onset._quantile(at, 0.75) == pytest.approx(np.sqrt(low * high))
    assert onset._quantile(at, 0.25) == pytest.approx(STEPS[0])  # the outer steps reach as far out as in
    assert onset._quantile(np.eye(STEPS.size)[-1], 0.5) == pytest.approx(STEPS[-1])


def test_what_zones_differ_by_is_taken_off_by_hand():
    # a zone differs from its own dry spot by 0.1 of the log, one without from those of its ground by 0.2
    found = learned(dried(2.6, seed=1))
    ratio = [getattr(found, name)[2] / getattr(found, name)[0] for name in ("low", "high")]
    assert ratio == pytest.approx(np.exp([-1.959964 * 0.1, 1.959964 * 0.1]))
    np.testing.assert_array_equal(found.offered, np.maximum(found.low, 1.0))


@pytest.mark.parametrize(
    ("gains", "expected", "pairs"),
    [((1.0, 2.5), 3.5, 2), ((4.0, -1.0), 4.0, 2), ((-2.0, 1.0), 0.0, 2), ((0.01, 3.2), 3.21, 1), ((3.0, None), 3.0, 1)],
)
def test_weeks_that_were_not_told_by_hand(monkeypatch, gains, expected, pairs):
    # 60 nights: spans of two weeks from 32 and from 46 on; by then 1.6 was learned, or (None) no more than was told
    record = dried(1.0, spots=1, zones=1)
    cut = {name: getattr(record, name)[:, :60] for name in ("moisture", "irrigation", "etc", "effective_rain", "p")}
    record = replace(record, **cut)
    early, late = gains
    more = {32: 0.0, 46: early, 60: early + (late or 0.0)}  # log density with stress at 1.6 over that as told

    def weigh(dry, count, until):
        said = np.full((len(onset.GAINS), STEPS.size, 3), -1e6)
        said[0, :, 1] = -0.1 * until
        said[0, 4, 1] += more[until]
        return np.eye(STEPS.size)[[4 if late is not None or until == 32 else 2]], [said.reshape(len(onset.GAINS), -1)]

    monkeypatch.setattr(onset, "_weigh", weigh)
    spot = onset._DrySpot(0, 0, 30, (), (), CAPACITY, ())
    gain, told = onset._foretold(record, [spot], 1)
    assert gain == pytest.approx([expected]) and told.tolist() == [pairs]


def test_steps_are_weighed_by_all_spots_of_a_ground_by_hand():
    # two spots of ground 1 and none of ground 0, whose steps keep the prior: a normal of 0.4 about the log of 1
    record = dried(2.0, seed=1)
    dry = onset._dry_spots(record, fit_spots(record)[0], np.ones(3, dtype=np.int64))
    weight, said = onset._weigh(dry, 2, NIGHTS)
    prior = np.exp(-0.5 * (np.log(STEPS) / 0.4) ** 2)
    np.testing.assert_allclose(weight[0], prior / prior.sum())
    _, _, demand, water = onset._cases()
    total = 0.0
    for spot, one in zip(dry, said, strict=True):
        line = SensorLine.of(spot.reading[0], spot.missing[0].astype(float), CAPACITY, onset.GAINS, spot.noise[0])
        by_hand = 0.5 * line.likelihood - 0.5 * (demand / 0.15) ** 2 - 0.5 * (water / 0.3) ** 2
        np.testing.assert_allclose(one, by_hand)
        cases = np.exp(by_hand - by_hand.max()).reshape(len(onset.GAINS), STEPS.size, onset.LEAKS.size, -1)
        total = total + np.log(cases.sum(axis=3))
    post = prior * np.exp(total - total.max()).sum(axis=(0, 2))  # gain and drainage are the ground's, whatever they are
    np.testing.assert_allclose(weight[1], post / post.sum())


def test_runs_with_stress_elsewhere_by_hand():
    record = dried(1.0, spots=1, zones=1)
    case = [np.full((1, 4), v) for v in (0.0, np.log(0.4), 1e-6)]
    steps = np.array([[1.0, 0.6, 1.6, 2.5]])
    runs = run_spots(record, np.array([0]), *case, steps).depletion[:, 0, :]
    same = run_spots(record, np.array([0]), *(c[:, :1] for c in case)).depletion[:, 0, 0]
    np.testing.assert_allclose(runs[:, 0], same)
    for i, step in enumerate(steps[0]):
        raw = step * P * TAW
        most = max(TAW, raw / 0.8)  # where p would pass 0.8 there is more than was told
        level = 0.2 * TAW
        for n in range(16):
            level = max(level - 0.4 * record.irrigation[0, n], 0.0)
            level += min(max((most - level) / (most - raw), 0.0), 1.0) * record.etc[0, n]
            assert runs[n, i] == pytest.approx(level, abs=0.02)
    assert runs[19, 3] > TAW > runs[19, 2]


def test_a_line_of_known_noise_is_a_normal_of_many_readings():
    rng = np.random.default_rng(3)
    x = 0.05 + 0.03 * np.sin(np.arange(40)[:, None] / np.array([2.5, 4.0]))
    y = 0.27 - 0.8 * x[:, 0] + rng.normal(0, 0.004, 40)
    y[[7, 8, 20]] = np.nan
    rho, sd = 0.7, 0.01
    line = SensorLine.of(y, x, 0.26, (0.75, 1.3), (rho, sd))
    read = np.flatnonzero(~np.isnan(y))
    apart = np.abs(read[:, None] - read[None, :])
    log = np.empty((2, 2))
    for g, gain in enumerate((0.75, 1.3)):
        for c in range(2):
            seen = x[read, c]
            cov = sd**2 * rho**apart + 0.05**2 + 0.2**2 * np.outer(seen, seen)
            off = y[read] - 0.26 + gain * seen
            log[g, c] = -0.5 * off @ np.linalg.solve(cov, off) - 0.5 * np.linalg.slogdet(cov)[1]
    np.testing.assert_allclose(line.likelihood - line.likelihood[0, 0], log - log[0, 0], rtol=1e-6)
    assert (line.wander, line.error) == (rho, sd)

"""Steps of learning by second calculations: dense normal models written out, balances run by hand, chances by scipy."""

from dataclasses import replace

import numpy as np
import pytest
import scipy  # whose stats load at their first use only: they take half a second

from models import learning, plateaus, sensor_line, spot_fit
from models.drainage import drained
from models.kin import QUARTER_CV, EstimationProbes, layer_gain
from models.learning import FLOOR, Lessons, Told, learn_zones
from models.plateaus import Plateaus, find_plateaus, learn_field_capacity, prove_field_capacity, uniformity_hints
from models.sensor_line import LEAST_READINGS, SensorLine
from models.spot_fit import SpotFits, run_spots
from tests.models.test_learning import CAPACITY, NIGHTS, ROOT, TAW, hand_made


def fits_of(zone, value, information, evenings=None, **changes):
    """What spots are taken to have said."""
    count = len(zone)
    given = {
        "zone": np.array(zone), "spot": np.arange(count), "value": np.array(value, float),
        "information": np.array(information, float), "gain": np.ones(count), "offset": np.full(count, CAPACITY),
        "wander": np.full(count, 0.8), "error": np.full(count, 0.01), "shared": np.ones(count),
        "speaks": np.ones(count, bool), "evenings": np.full(count, 50) if evenings is None else np.array(evenings),
        "leak": np.full(count, 0.06), "seen": np.ones(count), "unsure": np.zeros(count),
    }  # fmt: skip
    return SpotFits(**given | changes)


# ------------------------------------------------------------------------------------------------ a sensor's own line


def test_likelihood_of_a_line_is_that_of_the_normal_model_written_out():
    # y ~ N(capacity - mean g x, W^-1 + 0.05^2 11' + 0.2^2 xx') with W the whitening of an AR(1), whose first reading
    # stands alone: likelihoods of two cases and two gains differ as those of the dense model do
    rng = np.random.default_rng(0)
    n, capacity = 25, 0.26
    x = rng.uniform(0, 0.1, (n, 3))
    y = capacity + 0.01 - 0.8 * x[:, 1] + rng.normal(0, 0.01, n)
    rho, sd = 0.7, 0.012
    keep = np.concatenate([[0.0], np.full(n - 1, rho)])
    w = 1.0 / np.sqrt(1 - keep**2) / sd
    likelihood, gain, offset, case = sensor_line._fitted(y, x, keep, w, capacity, (0.6, 1.0))
    whiten = np.diag(w) @ (np.eye(n) - np.diag(keep[1:], -1))
    wander = np.linalg.inv(whiten.T @ whiten)

    def dense_of(g, c):
        """Logarithm of the density of the readings."""
        whole = wander + 0.05**2 + 0.04 * np.outer(x[:, c], x[:, c])
        off = y - capacity + g * x[:, c]
        return -0.5 * (off @ np.linalg.solve(whole, off) + np.linalg.slogdet(whole)[1] + n * np.log(2 * np.pi))

    dense = np.array([[dense_of(g, c) for c in range(3)] for g in (0.6, 1.0)])
    known = np.log(w).sum() - n / 2 * np.log(2 * np.pi) - np.log(0.05 * 0.2)
    np.testing.assert_allclose(likelihood + known, dense, atol=1e-6)
    g, c = np.unravel_index(dense.argmax(), dense.shape)
    prior = np.diag([1 / 0.05**2, 1 / 0.2**2])
    design = whiten @ np.column_stack([np.ones(n), -x[:, c]])
    pull = design.T @ whiten @ y + prior @ [capacity, (0.6, 1.0)[g]]
    assert [offset, gain] == pytest.approx(np.linalg.solve(design.T @ design + prior, pull))
    assert case == c


def test_a_line_needs_its_readings_and_finds_wander_and_error():
    rng = np.random.default_rng(4)
    n, e = 400, np.zeros(400)
    for i in range(1, n):
        e[i] = 0.8 * e[i - 1] + 0.6 * 0.02 * rng.normal()  # standard deviation 0.02
    x = 0.05 + 0.04 * np.sin(np.arange(n) / 3.0)
    y = 0.30 - 0.7 * x + e
    line = SensorLine.of(y, x[:, None], 0.28)
    assert (line.wander, line.error) == pytest.approx((0.8, 0.02), rel=0.15)
    assert line.gain == pytest.approx(0.7, abs=0.1) and line.evenings == n
    residual = y - line.offset + line.gain * x
    assert line.shared == pytest.approx(1 - np.var(residual) / np.var(y), abs=0.02)
    gaps = np.full(n, np.nan)
    for size, found in ((LEAST_READINGS - 1, False), (LEAST_READINGS, True)):
        gaps[10 : 10 + 2 * size : 2] = y[10 : 10 + 2 * size : 2]
        assert (SensorLine.of(gaps, x[:, None], 0.28) is not None) is found
    still = SensorLine.of(np.full(60, 0.27), np.zeros((60, 1)), 0.27)  # a sensor errs by its least error at least
    assert (still.error, still.offset) == pytest.approx((0.006, 0.27))


def line_by_hand(y, x, capacity):
    """The line by three rounds of dense normal equations: readings whitened by their own wander, far ones worn down."""
    at = np.flatnonzero(~np.isnan(y))
    y, x, apart = y[at], x[at], np.diff(at)
    n, rho, sd, weight = y.size, 0.85, np.std(y) / 2, np.ones(y.size)
    for _ in range(3):
        whiten = np.diag(np.sqrt(weight / np.append(1.0, 1 - rho ** (2 * apart))) / sd)
        whiten = whiten @ (np.eye(n) - np.diag(rho**apart, -1))
        design = whiten @ np.column_stack([np.ones(n), -x])
        prior = np.diag([1 / 0.05**2, 1 / 0.2**2])
        offset, gain = np.linalg.solve(design.T @ design + prior, design.T @ whiten @ y + prior @ [capacity, 1.0])
        residual = y - offset + gain * x
        before, now = residual[:-1][apart == 1], residual[1:][apart == 1]  # one day after the other
        rho = np.clip(before @ now / (before @ before), 0.6, 0.97)
        sd = max(np.sqrt(np.mean(np.minimum(residual**2, 9 * np.median(residual**2)))), 0.006)
        innovation = residual - np.append(0.0, rho**apart * residual[:-1])
        far = np.abs(innovation) / (sd * np.sqrt(np.append(1.0, 1 - rho ** (2 * apart))))
        weight = np.minimum(1.0, 2.0 / np.maximum(far, 1e-9))
    return offset, gain, rho, sd, 1 - np.var(residual) / np.var(y)


def test_a_line_is_found_by_three_rounds_of_weighing():
    rng = np.random.default_rng(9)
    x = 0.05 + 0.03 * np.sin(np.arange(50) / 2.5)
    y = 0.29 - 0.8 * x + np.cumsum(rng.normal(0, 0.004, 50)) * 0.4
    y[[12, 33]] += [0.05, -0.06]
    line = SensorLine.of(y, x[:, None], 0.27)
    found = (line.offset, line.gain, line.wander, line.error, line.shared)
    assert found == pytest.approx(line_by_hand(y, x, 0.27), rel=1e-9)
    y[[5, 20, 21, 22, 40, 46]] = np.nan
    line = SensorLine.of(y, x[:, None], 0.27)
    found = (line.offset, line.gain, line.wander, line.error, line.shared)
    assert found == pytest.approx(line_by_hand(y, x, 0.27), rel=1e-9) and line.evenings == 44


def test_a_reading_far_off_counts_less():
    rng = np.random.default_rng(7)
    x = 0.04 + 0.03 * np.cos(np.arange(80) / 2.0)
    y = 0.28 - x + rng.normal(0, 0.004, 80)
    plain = SensorLine.of(y, x[:, None], 0.28)
    y[[20, 50]] -= 0.2
    assert SensorLine.of(y, x[:, None], 0.28).offset == pytest.approx(plain.offset, abs=0.006)


# --------------------------------------------------------------------------------------------------- a spot's balance


def test_runs_of_a_spot_by_hand():
    record = hand_made([0, 1], zones=2, seed=5)
    record = replace(record, irrigation=record.irrigation * [[1.0], [0.5]], p=np.full((2, NIGHTS), 0.4))
    demand, water, leak = np.array([[0.1, -0.2]]), np.array([[-0.1, 0.3]]), np.array([[0.05, 0.2]])
    runs = run_spots(record, np.array([1]), demand, water, leak)
    for c in range(2):
        level, top, holds = 0.2 * TAW, 0.5 * 0.1 * TAW / ROOT, 0.1 * TAW / ROOT
        scale = np.array(leak[0, c] * TAW)
        for n in range(30):
            put, rain = np.exp(water[0, c]) * record.irrigation[1, n], record.effective_rain[1, n]
            level, top = float(drained(np.array(level - put), scale)), max(top - put, 0.0)
            ks = min(max((TAW - max(level, 0.0)) / (0.6 * TAW), 0.0), 1.0)
            used = ks * np.exp(demand[0, c]) * record.etc[1, n]
            level = min(float(drained(np.array(level + used - rain), scale)), TAW)
            top = max(min(top + 0.5 * used * (1 - top / holds), holds) - rain, 0.0)
            assert runs.depletion[n, 0, c] == pytest.approx(level, abs=1e-4)
            assert runs.below_top[n, 0, c] == pytest.approx(level - top, abs=1e-4)


def test_a_grid_read_gives_back_the_normal_it_was_made_of():
    # wide normal of 0.3 times a normal about (0.1, -0.05): its mean and information come back, less the grid's steps
    leak, demand, water = (a.reshape(spot_fit.LEAKS.size, -1)[0] for a in spot_fit.grid())
    assert np.unique((demand - water).round(6)).size == 21 and (demand - water).max() == pytest.approx(0.8)
    assert (demand + water).max() == pytest.approx(0.6) and leak[0] == 0.02
    information, mean = np.array([[30.0, -22.0], [-22.0, 40.0]]), np.array([0.1, -0.05])
    off = np.stack([demand, water], axis=1) - mean
    log = -0.5 * np.einsum("ci,ij,cj->c", off, information, off) - 0.5 * (demand**2 + water**2) / 0.3**2
    post = np.exp(log - log.max())
    value, found = spot_fit._read_grid((post / post.sum())[None], demand, water)
    np.testing.assert_allclose(value[0], mean, atol=0.02)
    np.testing.assert_allclose(found[0], information, atol=7.0)


def test_a_sensor_s_share_of_depletion_by_its_depth():
    record = hand_made([0, 0, 1], zones=2, depth=np.array([0.05, 0.27, 0.2]))
    record = replace(record, zones=replace(record.zones, root_depth=np.array([0.25, 0.4])))
    gain = layer_gain(np.array([0.05, 0.27, 0.2]), np.array([0.25, 0.25, 0.4]))
    np.testing.assert_allclose(spot_fit.scales(record), gain / [250.0, 250.0, 400.0])
    assert spot_fit.under_roots(record).tolist() == [False, True, False]
    edge = replace(record, probes=replace(record.probes, depth=np.array([0.25 * 1.05, np.nan, 0.5])))
    assert spot_fit.under_roots(edge).tolist() == [False, False, True]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"irrigation": np.full((1, NIGHTS), -1.0)}, "irrigation must be finite"),
        ({"irrigation": np.where(np.arange(NIGHTS) == 3, -1.0, 0.0)[None]}, "irrigation must be finite"),
        ({"p": np.full((1, NIGHTS), np.nan)}, "p must be finite"),
        ({"p": np.where(np.arange(NIGHTS) == 3, np.nan, 0.5)[None]}, "p must be finite"),
        ({"etc": np.where(np.arange(NIGHTS) == 3, np.inf, 4.0)[None]}, "etc must be finite"),
        ({"effective_rain": np.zeros((1, 3))}, "effective_rain must have shape"),
        ({"surface": np.zeros(2, int)}, "surface must have shape"),
        ({"probes": EstimationProbes(np.array([1]), np.array([0.1]), np.array([0]))}, "zone of a probe"),
        ({"probes": EstimationProbes(np.array([-1]), np.array([0.1]), np.array([0]))}, "zone of a probe"),
        ({"irrigation": np.zeros((1, 0)), "moisture": np.zeros((1, 0))}, "above 0 nights"),
        ({"irrigation": np.zeros(NIGHTS)}, "above 0 nights"),
        ({"moisture": np.where(np.arange(NIGHTS) == 3, np.inf, 0.2)[None]}, "moisture must be finite"),
    ],
)
def test_one_array_that_cannot_be_is_refused(changes, words):
    with pytest.raises(ValueError, match=words):
        replace(hand_made([0]), **changes)


# -------------------------------------------------------------------------------------------- what spots say of zones


def joined(record, fits, told, metered):
    """The same normal model with covariances of every zone and spot written out, conditioned on what was seen."""
    z, s = record.irrigation.shape[0], fits.zone.size
    same = (record.surface[:, None] == record.surface).astype(float)
    kin = same * (record.zones.kin[:, None] == record.zones.kin)
    t = told
    demand = t.demand_surface**2 * same + t.demand_kin**2 * kin + t.demand_own**2 * np.eye(z)
    water = t.water_surface**2 * same + t.water_kin**2 * kin + t.water_own**2 * np.eye(z)
    catch = np.maximum(t.catch * (1 - record.zones.du_lq[fits.zone]) / QUARTER_CV, 0.02) ** 2
    ground = (record.ground[fits.zone][:, None] == record.ground[fits.zone]).astype(float)
    ground *= same[np.ix_(fits.zone, fits.zone)]
    perched = np.zeros(z, bool) if record.over_gravel is None else record.over_gravel
    perched, depth = perched[fits.zone], record.probes.depth
    alone = np.where(np.isnan(depth), 0.0, t.one_depth**2)
    each = np.where(perched, t.perched**2, t.physics**2) + alone + fits.unsure**2
    error = ground * np.array([np.mean(each[row > 0]) for row in ground])
    own = np.diag(np.where(perched, t.perched_own, t.physics_own) ** 2 / 2)
    of = np.zeros((2 * s, 2 * z))
    of[np.arange(s), fits.zone] = of[s + np.arange(s), z + fits.zone] = 1.0
    prior = np.block([[demand, np.zeros((z, z))], [np.zeros((z, z)), water]])
    seen = of @ prior @ of.T
    seen[:s, :s] += error + own
    seen[s:, s:] += np.diag(catch) + own
    alike = np.tile(ground * t.level**2, (2, 2))
    seen += alike
    alike[:s, :s] += error
    spots = np.array([np.linalg.inv(i) for i in fits.information])
    for a in (0, 1):
        for b in (0, 1):
            seen[a * s : (a + 1) * s, b * s : (b + 1) * s] += np.diag(spots[:, a, b])
    usual = np.where(perched, t.perched_mean, t.physics_mean)
    even = (t.catch * (1 - record.zones.du_lq[fits.zone]) / QUARTER_CV) ** 2 / 2  # below 0 the mean of a log, lognormal
    off = np.concatenate([fits.value[:, 0] - usual, fits.value[:, 1] + even])
    meters = np.flatnonzero(~np.isnan(metered))
    line = np.zeros((meters.size, 2 * z))
    line[np.arange(meters.size), z + meters] = 1.0
    across = np.vstack([of, line]) @ prior
    whole = np.block(
        [[seen, of @ prior @ line.T], [line @ prior @ of.T, line @ prior @ line.T + 0.03**2 * np.eye(meters.size)]]
    )
    gain = np.linalg.solve(whole, across).T
    both = np.concatenate([off, metered[meters]])
    mean = gain @ both
    errs = np.hstack([alike, np.zeros((2 * s, meters.size))]) @ np.linalg.solve(whole, both)
    left = prior - gain @ across
    apart = np.hstack([np.eye(z), -np.eye(z)])
    return (
        mean[:z],
        mean[z:],
        np.sqrt(np.diag(left)[:z]),
        np.sqrt(np.diag(left)[z:]),
        np.sqrt(np.diag(apart @ left @ apart.T)),
        np.stack([errs[:s] + usual, errs[s:]]),
    )


def test_zones_and_spots_are_joined_as_the_dense_normal_model_does():
    record = hand_made([0, 0, 1, 3], zones=5, kin=[0, 0, 1, 0, 2], surface=[0, 0, 0, 1, 1], du=0.7)
    record = replace(record, ground=np.array([0, 1, 0, 2, 2]))
    value = [[0.05, -0.02], [0.02, 0.04], [-0.06, 0.03], [0.1, 0.0]]
    information = [[[60, -40], [-40, 50]], [[90, -60], [-60, 80]], [[40, -20], [-20, 60]], [[70, -30], [-30, 90]]]
    fits = fits_of(
        [0, 0, 1, 3], value, information, evenings=[30, 50, 40, 25], unsure=np.array([0.02, 0.05, 0.01, 0.0])
    )
    metered = np.array([np.nan, 0.05, np.nan, np.nan, -0.04])
    told = Told()
    found = learn_zones(record, fits, told, metered)
    expected = joined(record, fits, told, metered)
    names = ("demand", "water", "demand_spread", "water_spread", "ratio_spread", "spot_errors")
    for name, dense in zip(names, expected, strict=True):
        np.testing.assert_allclose(getattr(found, name), dense, atol=1e-9, err_msg=name)
    np.testing.assert_allclose(found.spot_demand, found.demand[[0, 0, 1, 3]])
    assert found.evenings.tolist() == [50, 40, 0, 25, 0]
    # spots that all say much the same, though it is far from what was told: none of them counts less
    for depth, over in (
        (np.array([0.1, np.nan, 0.2, 0.1]), [False, False, False, True]),
        (np.nan, [True] * 3 + [False]),
    ):
        probes = replace(record.probes, depth=np.broadcast_to(depth, 4))
        other = replace(record, probes=probes, over_gravel=np.array([over[0], over[1], False, over[3], over[3]]))
        dense, found = joined(other, fits, told, metered), learn_zones(other, fits, told, metered)
        np.testing.assert_allclose(found.demand, dense[0], atol=1e-9)
        np.testing.assert_allclose(found.ratio_spread, dense[4], atol=1e-9)
        np.testing.assert_allclose(found.spot_errors, dense[5], atol=1e-9)
    found = learn_zones(record, fits, told, metered)
    wide = Told(demand_surface=1.0, physics=0.02, physics_own=0.02, physics_mean=-0.1)
    alike = fits_of([0, 0, 1, 3], np.array([[0.4, 0.0]] * 4), np.array([np.diag([400.0, 100.0])] * 4))
    dense = joined(record, alike, wide, metered)
    np.testing.assert_allclose(learn_zones(record, alike, wide, metered).demand, dense[0], atol=1e-9)
    assert dense[0][0] > 0.4
    unlike = Told(catch=0.4, demand_kin=0.2, water_surface=0.1)
    dense = joined(record, fits, unlike, metered)
    np.testing.assert_allclose(learn_zones(record, fits, unlike, metered).demand, dense[0], atol=1e-9)
    # without the second spot's own evenings it is as if it were not there
    silent = learn_zones(record, replace(fits, evenings=np.array([30, 0, 40, 25])), told, metered)
    assert silent.spot_water[1] == pytest.approx(silent.water[0]) and silent.demand[0] != found.demand[0]


def test_a_spot_far_off_counts_less_and_never_more():
    record = hand_made(np.arange(5), zones=5, du=0.9)
    same = np.repeat(np.array([[[400.0, 0.0], [0.0, 400.0]]]), 5, axis=0)
    usual = np.array([Told().physics_mean, -0.5 * (0.1 / QUARTER_CV) ** 2])  # what balances err by, and uneven catch
    value = np.zeros((5, 2)) + usual
    near = learn_zones(record, fits_of(range(5), value, same))
    np.testing.assert_allclose(near.demand, 0.0, atol=1e-12)
    moved = []
    for off in (0.1, 0.5, 2.0):
        value[0, 0] = usual[0] + off
        moved.append(learn_zones(record, fits_of(range(5), value, same)).demand[0])
    assert 0.0 < moved[0] and moved[2] < 7 * moved[0]  # not twenty times as much


def test_values_and_intervals_of_a_zone():
    lessons = Lessons(*(np.array([v]) for v in (0.2, -0.1, 0.05, 0.02, 0.05, 0.2, -0.1, 0.0)), np.array([7]))
    demand, water = lessons.of_demand([0.9]), lessons.of_water([12.0])
    assert demand.values[0] == pytest.approx(0.9 * np.exp(0.2)) and demand.prior[0] == 0.9 and demand.events[0] == 7
    assert demand.low[0] == pytest.approx(0.9 * np.exp(0.2 - 1.96 * 0.05), rel=1e-5)
    assert demand.high[0] == pytest.approx(0.9 * np.exp(0.2 + 1.96 * 0.05), rel=1e-5)
    assert (water.values[0], water.high[0]) == pytest.approx(
        (12 * np.exp(-0.1), 12 * np.exp(-0.1 + 1.96 * 0.02)), rel=1e-5
    )
    for name in ("demand_kin", "water_own", "physics"):
        for wrong in (0.0, -0.1, np.inf):
            with pytest.raises(ValueError, match=name):
                Told(**{name: wrong})
    assert Told(physics_mean=-1.0).physics_mean == -1.0


# ------------------------------------------------------------------------------------------------- what is proved


def test_a_proof_by_hand():
    # three spots over two spans of two weeks (the last first): squared errors as told and as learned, one not read
    told = np.array([[2.0, 1.0], [4.0, 2.0], [np.nan, 3.0]])
    learned = np.array([[1.0, 1.0], [3.0, 1.0], [np.nan, 1.5]])
    spots, blocks, better, chance, worse = learning._proof_of(np.stack([told, learned]))
    assert (spots, blocks) == (3, 5)
    assert better == pytest.approx(1 - (7.5 + 5 * FLOOR) / (12.0 + 5 * FLOOR))
    by_spot = np.log(
        [(3 + 2 * FLOOR) / (2 + 2 * FLOOR), (6 + 2 * FLOOR) / (4 + 2 * FLOOR), (3 + FLOOR) / (1.5 + FLOOR)]
    )
    assert chance == pytest.approx(scipy.stats.ttest_1samp(by_spot, 0.0, alternative="greater").pvalue)
    assert worse == 1.0  # two spots in the last two weeks: too few to say
    # of two spots their spans count one by one
    _, _, _, of_spans, _ = learning._proof_of(np.stack([told[:2], learned[:2]]))
    spans = np.log((told[:2] + FLOOR) / (learned[:2] + FLOOR)).ravel()
    assert of_spans == pytest.approx(scipy.stats.ttest_1samp(spans, 0.0, alternative="greater").pvalue)
    assert learning._proof_of(np.full((2, 3, 2), np.nan)) == (0, 0, 0.0, 1.0, 1.0)
    half = np.stack([told, np.where(np.arange(3)[:, None] == 1, np.nan, learned)])  # what one way did not foretell
    assert learning._proof_of(half)[:2] == (2, 3)
    assert learning._chance(np.full(5, 0.3)) == 1.0  # without any scatter no chance can be told


def test_a_surface_s_lesson_holds_by_its_own_chance_or_the_site_s(monkeypatch):
    # two surfaces of a spot each: (better, own chance); the site's chance and that of so poor a last block
    record = hand_made([0, 1], zones=2, surface=np.array([0, 1]))
    fits = fits_of([0, 1], [0.0, 0.0], [1.0, 1.0])
    lessons = Lessons(**{name: np.zeros(2) for name in Lessons.__dataclass_fields__})
    monkeypatch.setattr(learning, "fit_spots", lambda record, cuts: [fits] * len(cuts))
    monkeypatch.setattr(learning, "learn_zones", lambda *args: lessons)
    monkeypatch.setattr(learning, "_foretell", lambda *args: np.zeros(2))
    for surfaces, site, holds in (
        (((0.1, 0.01), (0.1, 0.5)), (0.5, 1.0), [True, False]),  # each by its own
        (((0.1, 0.5), (-0.1, 0.5)), (0.01, 1.0), [True, False]),  # with the site, yet none that foretold worse
        (((0.1, 0.05), (0.1, 0.04)), (0.05, 1.0), [False, True]),
        (((0.1, 0.01), (0.0, 0.01)), (0.01, 0.05), [True, False]),
        (((0.1, 0.01), (0.1, 0.01)), (0.01, 0.04), [False, False]),  # the site's last two weeks were foretold worse
    ):
        rows = iter([(1, 1, *one, 1.0) for one in surfaces] + [(2, 2, 0.1, *site)])
        monkeypatch.setattr(learning, "_proof_of", lambda scores, rows=rows: next(rows))
        proof = learning.prove(record)
        assert proof.holds.tolist() == holds and (proof.chance.tolist(), proof.site_chance, proof.worse) == (
            [chance for _, chance in surfaces],
            *site,
        )


def test_a_forecast_of_two_weeks_carries_on_from_where_the_sensor_stood():
    record = hand_made([0], demand=0.2, seed=3)
    cut = 60
    late = replace(record, moisture=record.moisture.copy())
    late.moisture[0, cut:] += 0.01  # it reads higher from then on
    fits = fits_of([0], [[0.0, 0.0]], [np.eye(2)])
    told, right = (learning._foretell(late, fits, np.array([d]), np.zeros(1), cut)[0] for d in (0.0, 0.2))
    # by hand: the run's readings by the line of the nights before, the last one's residual fading by its wander
    x = (
        spot_fit.scales(record)[0]
        * run_spots(record, np.array([0]), *(np.array([[v]]) for v in (0.2, 0.0, 0.06))).depletion
    )
    x = x[:, 0, 0].astype(float)
    known = record.moisture[0].copy()
    known[:10], known[cut:] = np.nan, np.nan
    line = SensorLine.of(known, x[:, None], CAPACITY, (1.0,))
    coming = np.arange(cut, cut + 14)
    left = known[cut - 1] - line.offset + line.gain * x[cut - 1]
    miss = late.moisture[0, coming] - line.offset + line.gain * x[coming] - left * line.wander ** (coming - cut + 1)
    assert right == pytest.approx(np.mean(np.minimum((miss / 0.01) ** 2, 16.0)))
    assert right < told
    sure = replace(fits, error=np.full(1, 1e-4))
    assert learning._foretell(late, sure, np.zeros(1), np.zeros(1), cut)[0] == pytest.approx(
        16.0, abs=2.0
    )  # 4 sd at most
    # two sensors of one spot count by their mean
    twice = hand_made([0, 0], demand=0.2, seed=3)
    twice = replace(
        twice,
        probes=replace(twice.probes, spot=np.zeros(2, int)),
        moisture=np.concatenate([late.moisture, record.moisture]),
    )
    pair = replace(
        fits_of([0], [[0.0, 0.0]], [np.eye(2)]),
        **{
            name: np.repeat(getattr(fits, name), 2)
            for name in ("spot", "gain", "offset", "wander", "error", "shared", "speaks")
        },
    )
    other = learning._foretell(record, fits, np.array([0.2]), np.zeros(1), cut)[0]
    both = learning._foretell(twice, pair, np.array([0.2]), np.zeros(1), cut)[0]
    assert both == pytest.approx((right + other) / 2)
    none = replace(late, moisture=np.where(np.arange(NIGHTS) >= cut, np.nan, late.moisture))
    assert np.isnan(learning._foretell(none, fits, np.zeros(1), np.zeros(1), cut)[0])
    assert np.isnan(learning._foretell(late, replace(fits, speaks=np.zeros(1, bool)), np.zeros(1), np.zeros(1), cut)[0])


# --------------------------------------------------------------------------------- field capacity and uniformity


def plateaus_of(levels):
    """Levels (K lists) over the nights 20, 34, ..."""
    sensor = np.concatenate([np.full(len(v), k) for k, v in enumerate(levels)])
    night = np.concatenate([20 + 14 * np.arange(len(v)) for v in levels])
    return Plateaus(sensor.astype(int), night.astype(int), np.concatenate(levels).astype(float))


def test_field_capacity_by_hand_from_three_sensors_of_a_ground():
    # medians 0.03, 0.05 and 0.04; a fourth zone without a sensor takes what the ground has; another ground has two
    record = hand_made([0, 1, 2, 4, 5], zones=6, surface=[0, 0, 0, 0, 1, 1])
    read = plateaus_of([[0.02, 0.03, 0.9], [0.05], [0.04, 0.04], [0.1, 0.1], [0.1]])
    found = learn_field_capacity(record, read)
    noise = 0.022**2 + 0.012**2 / np.array([3, 1, 2])
    middle = np.array([0.03, 0.05, 0.04])
    uneven = max(np.var(middle, ddof=1) - noise.mean(), 0.012**2)
    whole = 0.05**2 + uneven * np.eye(3) + np.diag(noise)
    shared = np.full(3, 0.05**2) @ np.linalg.solve(whole, middle)
    own = (0.05**2 + uneven * np.eye(3)) @ np.linalg.solve(whole, middle)
    np.testing.assert_allclose(found.values, CAPACITY + np.array([*own, shared, 0.0, 0.0]))
    variance = 0.05**2 + uneven - np.full(3, 0.05**2) @ np.linalg.solve(whole, np.full(3, 0.05**2))
    assert found.high[3] - found.values[3] == pytest.approx(1.96 * np.sqrt(variance), rel=1e-4)
    assert found.high[4] - CAPACITY == pytest.approx(1.96 * np.hypot(0.05, 0.012), rel=1e-4)
    assert found.events.tolist() == [3, 1, 2, 0, 2, 1]
    np.testing.assert_allclose(found.values - found.low, found.high - found.values)
    # only what was read before a night
    early = learn_field_capacity(record, read, 21)
    assert early.events.tolist() == [1, 1, 1, 0, 1, 1] and early.values[0] != found.values[0]
    assert not (learn_field_capacity(record, read, 20).values - CAPACITY).any()


def test_a_ground_s_capacity_is_proved_by_plateaus_it_was_not_told():
    record = hand_made([0, 1, 2], zones=3)
    levels = [
        [0.04, 0.05, 0.04, 0.05],
        [0.05, 0.05, 0.04],
        [0.04, 0.04],
    ]  # a sensor counts once, however often it speaks
    read = plateaus_of(levels)  # nights 20, 34, 48, 62
    units = np.zeros(3)
    for cut in (76, 62, 48, 34, 20):
        learned = learn_field_capacity(record, read, cut).values - CAPACITY
        late = (read.night >= cut) & (read.night < cut + 14)
        for k, level in zip(read.sensor[late], read.level[late], strict=True):
            units[k] += level**2 - (level - learned[k]) ** 2
    expected = scipy.stats.ttest_1samp(units / [4, 3, 2], 0.0, alternative="greater").pvalue
    assert prove_field_capacity(record, read)[0] == pytest.approx(expected)
    assert plateaus.field_capacity_holds(record, read).tolist() == [expected < 0.05] * 3
    apart = hand_made([0, 1, 2, 3], zones=4, surface=[0, 0, 0, 1])  # another ground has one sensor
    assert prove_field_capacity(apart, read).tolist() == pytest.approx([expected, 1.0])
    assert plateaus.field_capacity_holds(apart, read).tolist() == [expected < 0.05] * 3 + [False]
    two = hand_made([0, 1], zones=2)
    assert prove_field_capacity(two, plateaus_of(levels[:2])).tolist() == [1.0]


def test_a_plateau_is_a_dry_day_after_a_filling():
    # 40 mm of TAW: 30 mm put on night 1 fill it by more than 10 mm, 2 on night 20 do not; no water the night after
    record = hand_made([0, 1], zones=2, depth=np.array([0.18, 0.3]))
    nothing = np.zeros((2, NIGHTS))
    water = nothing.copy()
    water[:, [1, 30, 31]], water[:, 20] = 30.0, 2.0
    record = replace(record, irrigation=water, effective_rain=nothing, etc=nothing + 4.0)
    fits = fits_of([0, 1], np.zeros((2, 2)), np.zeros((2, 2, 2)))
    lessons = Lessons(*(np.zeros(2),) * 5, np.array([0.25, 0.0]), np.zeros(2), np.zeros((2, 2)), np.zeros(2, int))
    found = find_plateaus(record, fits, lessons)
    assert found.sensor.tolist() == [0, 0] and found.night.tolist() == [2, 32]  # none of the sensor below the roots
    runs = run_spots(record, fits.zone, np.array([[0.25], [0.0]]), np.zeros((2, 1)), np.full((2, 1), 0.06))
    top = (runs.depletion - runs.below_top)[2, 0, 0]
    below = np.exp(0.25) * 4.0 - top
    assert found.level[0] == pytest.approx(record.moisture[0, 2] + below / 250.0 - CAPACITY, abs=1e-6)
    in_top = replace(record, probes=replace(record.probes, depth=np.array([0.1, 0.3])))  # sees what the top gave too
    whole = record.moisture[0, 2] + np.exp(0.25) * 4.0 / 250.0 - CAPACITY
    assert find_plateaus(in_top, fits, lessons).level[0] == pytest.approx(whole, abs=1e-6)
    again = water.copy()
    again[:, [60, 61]] = 45.0, 8.0  # past field capacity by less than a quarter of TAW
    assert find_plateaus(replace(record, irrigation=again), fits, lessons).night.tolist() == [2, 32]
    again[:, 61] = 16.0
    assert find_plateaus(replace(record, irrigation=again), fits, lessons).night.tolist() == [2, 32, 62]
    unread = replace(record, moisture=np.where(np.arange(NIGHTS) == 2, np.nan, record.moisture))
    assert find_plateaus(unread, fits, lessons).night.tolist() == [32]


def test_uniformity_by_hand():
    # three spots of one zone at -0.2, 0.1 and 0.4 of log catch less demand, each known to 0.1; told DU 0.75
    record = hand_made([0, 0, 0, 1], zones=2, du=0.75)
    value = [[0.0, -0.2], [0.1, 0.2], [0.0, 0.4], [0.0, 0.5]]
    information = np.repeat(np.array([[[100.0, -100.0], [-100.0, 100.0]]]), 4, axis=0)  # strength 100
    hint = uniformity_hints(record, fits_of([0, 0, 0, 1], value, information))
    seen = 0.04 + 0.0 + 0.09 + 0.01 - 0.0  # (-0.3, 0, 0.3) about 0.1: 0.18, less two of noise 0.01
    seen = 0.18 - 2 * 0.01
    believed = (0.25 / QUARTER_CV) ** 2
    spread = (5 * believed + seen) / 7
    assert hint.values.tolist() == pytest.approx([1 - QUARTER_CV * np.sqrt(spread), 0.75])
    ends = [1 - QUARTER_CV * np.sqrt(spread * 7 / scipy.stats.chi2.ppf(q, 7)) for q in (0.025, 0.975)]
    assert (hint.low[0], hint.high[0]) == pytest.approx(tuple(ends))
    prior = [1 - QUARTER_CV * np.sqrt(believed * 5 / scipy.stats.chi2.ppf(q, 5)) for q in (0.025, 0.975)]
    assert (hint.low[1], hint.high[1]) == pytest.approx(tuple(np.clip(prior, 0, 1)))
    assert hint.events.tolist() == [3, 1] and hint.prior.tolist() == [0.75, 0.75]
    # spots known worse than to 0.2, or without an evening, are no spots
    for changes in ({"information": information * 0.24}, {"evenings": np.zeros(4, int)}):
        assert uniformity_hints(record, replace(fits_of([0, 0, 0, 1], value, information), **changes)).events.sum() == 0


def test_sensors_of_a_ground_find_how_it_drains():
    record = hand_made(np.arange(4), zones=4, noise=0.002, rain_every=5)
    [fits] = spot_fit.fit_spots(record)
    assert set(fits.leak.tolist()) == {0.06} and set(fits.seen.tolist()) == {1.0}


def test_a_sensor_that_moves_against_its_balance_says_nothing():
    record = hand_made([0], demand=0.1)
    [fits] = spot_fit.fit_spots(replace(record, moisture=2 * CAPACITY - record.moisture))
    assert not fits.speaks[0] and fits.evenings[0] == 0
    assert not (fits.value.any() or fits.information.any() or fits.unsure.any())


def test_gain_and_leak_of_a_ground_are_weighed_by_all_of_its_spots():
    rng = np.random.default_rng(3)
    record = hand_made([0, 1, 2], zones=3, surface=[0, 0, 1])
    found = spot_fit._Found.of(record, np.arange(3), 3)
    found.likelihood += rng.normal(0, 1.5, found.likelihood.shape)
    found.evenings[:] = [30, 40, 50]
    fits = found.read(record, np.arange(3), np.arange(3))
    gains, leaks = found.likelihood.shape[1:3]
    _, demand, water = (a.reshape(leaks, -1)[0] for a in spot_fit.grid())
    wide = -(demand**2 + water**2) / (2 * 0.3**2)
    whole = {(s, h): found.likelihood[s].reshape(gains * leaks, -1)[h] + wide for s in range(3) for h in range(32)}
    for s in range(3):
        ground = [0, 1] if s < 2 else [2]
        evidence = np.array([sum(np.log(np.exp(whole[o, h]).sum()) for o in ground) for h in range(gains * leaks)])
        weight = np.exp(evidence - evidence.max())
        weight /= weight.sum()
        cases = [np.exp(whole[s, h]) / np.exp(whole[s, h]).sum() for h in range(gains * leaks)]
        means = np.array([case @ (demand - water) for case in cases])
        assert fits.unsure[s] == pytest.approx(np.sqrt(weight @ (means - weight @ means) ** 2))
        by_gain, by_leak = weight.reshape(gains, leaks).sum(axis=1), weight.reshape(gains, leaks).sum(axis=0)
        assert fits.seen[s] == spot_fit.GAINS[by_gain.argmax()] and fits.leak[s] == spot_fit.LEAKS[by_leak.argmax()]
        post = sum(w * case for w, case in zip(weight, cases, strict=True))
        value, information = spot_fit._read_grid(post[None], demand, water)
        np.testing.assert_allclose(fits.value[s], value[0])
        np.testing.assert_allclose(fits.information[s], information[0])


def test_what_was_told_is_in_the_middle_of_what_is_tried():
    _, demand, water = spot_fit.grid()
    for tried in (demand, water, demand - water, demand + water):
        assert tried.min() == pytest.approx(-tried.max()) and np.median(tried) == pytest.approx(0.0, abs=1e-12)
    assert 1.0 in spot_fit.GAINS and (np.diff(spot_fit.GAINS) > 0).all() and (np.diff(spot_fit.LEAKS) > 0).all()
    assert np.ptp(spot_fit.LEVELS) < np.ptp(spot_fit.RATIOS)  # that both are off alike is told less of


@pytest.mark.parametrize(("errors", "wander"), [(np.arange(60) * 0.002, 0.97), (0.02 * (-1.0) ** np.arange(60), 0.6)])
def test_a_sensor_s_errors_hang_together_from_day_to_day_but_never_for_good(errors, wander):
    x = np.tile([0.0, 0.02, 0.04, 0.06, 0.03], 12)[:, None]
    line = SensorLine.of(0.25 - x[:, 0] + errors, x, 0.25)
    assert line.wander == pytest.approx(wander, abs=0.02 if wander > 0.9 else 1e-12) and line.wander <= wander


def test_a_proof_looks_at_the_last_spans_of_two_weeks_first_and_not_at_all_of_them(monkeypatch):
    asked = []
    fits = fits_of([0], [[0.0, 0.0]], [np.eye(2)])
    monkeypatch.setattr(learning, "fit_spots", lambda record, cuts: asked.append(cuts) or [fits] * len(cuts))
    monkeypatch.setattr(learning, "_foretell", lambda *given: np.full(1, np.nan))
    short = hand_made([0], nights=73)
    learning.prove(short)
    learning.prove(hand_made([0], nights=72))
    monkeypatch.setattr(learning, "MOST_TRIES", 2)
    proof = learning.prove(short)
    assert asked == [[59, 45, 31], [58, 44], [59, 45]]  # after ten nights and 21 evenings
    assert proof.holds.tolist() == [False] and proof.chance.tolist() == [1.0] and proof.blocks.tolist() == [0]


def test_spots_that_catch_nothing_and_twice_as_much_leave_no_uniformity_below_nothing():
    record = hand_made([0, 0, 0], du=0.5)
    value, information = [[0.0, -2.0], [0.0, 0.0], [0.0, 2.0]], np.repeat(np.diag([400.0, 400.0])[None], 3, axis=0)
    hint = uniformity_hints(record, fits_of([0, 0, 0], value, information))
    assert hint.values[0] == hint.low[0] == 0.0 and hint.high[0] < 0.5

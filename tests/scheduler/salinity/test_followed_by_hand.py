"""How readings follow a zone's salt: what a spot may stray by, what a day keeps, and where balance and probes join."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import SALT
from models.layers import LayeredState, equal_layers
from models.salts import PROBE_SPREAD
from scheduler.salinity import evening, followed
from scheduler.salinity.followed import Follower, Readings, evening_ece

DATES = pd.date_range("2026-07-01", periods=3)
OPENING = pd.Timestamp("2026-07-03 21:00")
LAYERS = equal_layers(np.full(2, 0.2), np.full(2, 0.2), np.full(2, 0.05), np.full(2, 0.4))


def read(monkeypatch, *rows, width=PROBE_SPREAD, fed=(0.2, 0.3), earlier=(("gone", 0, 0, 9.0, "2026-07-02 12:00"),)):
    """Evening readings of two zones with roots of 20 cm, the second fed from 30; rows of probe, zone, layer, ECe."""

    def table(rows):
        frame = pd.DataFrame(rows, columns=["probe", "z", "layer", "ece", "time"])
        return frame.assign(depth=np.where(frame["layer"] == 0, 5.0, 15.0), time=pd.to_datetime(frame["time"]))

    monkeypatch.setattr(
        followed,
        "calm_readings",
        lambda site, after, opening: table(list(earlier)).assign(day=lambda t: t["time"].dt.normalize()),
    )
    zones = SimpleNamespace(root_depth=np.full(2, 0.2), fed_depth=np.array(fed), du_lq=np.array([0.8, 0.8]))
    factors = {r[0]: (1.0, width) for r in (*rows, *earlier)}
    return evening_ece(SimpleNamespace(zones=zones), LAYERS, DATES, OPENING, table(list(rows)), factors)


def test_a_spot_strays_as_far_as_its_driest_quarter_and_over_gravel_less(monkeypatch):
    found = read(monkeypatch, ("A", 0, 0, 2.0, "2026-07-03 12:00"), ("B", 1, 0, 2.0, "2026-07-03 12:00"))
    strays = 0.2 * np.array([SALT.spot_strays, SALT.spot_strays_fed])  # 1 - DU_LQ
    np.testing.assert_allclose(found.offset_spread[:, 0], np.hypot(PROBE_SPREAD, strays))
    assert SALT.spot_strays > SALT.spot_strays_fed and np.isnan(found.offset_spread[:, 1]).all()
    surer = read(monkeypatch, ("A", 0, 0, 2.0, "2026-07-03 12:00"), width=PROBE_SPREAD / 2)  # a sample beside it
    np.testing.assert_allclose(surer.offset_spread[0, 0], np.hypot(PROBE_SPREAD / 2, strays[0] / 2))
    # The mean of ln ECe over spots lies half the variance under the ln of their mean (any text on the lognormal).
    np.testing.assert_allclose(np.exp(found.read[:, 0, 2]), 2.0 * np.exp(strays**2 / 2.0))
    np.testing.assert_allclose(np.exp(surer.read[0, 0, 2]), 2.0 * np.exp(strays[0] ** 2 / 8.0))
    assert found.seen.tolist() == [[True, False], [True, False]] and found.rows(np.array([1])).zones.tolist() == [1]


def test_two_probes_of_a_half_are_one_mean_and_surer_and_a_day_is_read_once(monkeypatch):
    at = "2026-07-02 12:00"
    found = read(
        monkeypatch,
        ("A", 0, 0, 2.0, "2026-07-03 12:00"),
        ("B", 0, 0, 8.0, "2026-07-03 12:00"),
        earlier=[
            ("A", 0, 0, 3.0, at),
            ("A", 0, 0, 9.0, "2026-07-03 08:00"),
            ("gone", 0, 0, 9.0, at),
            ("A", 1, 0, 9.0, at),
        ],
    )
    assert found.zones.tolist() == [0]
    drier = np.exp((0.2 * SALT.spot_strays) ** 2 / 2.0)  # of all spots over most of them
    np.testing.assert_allclose(
        np.exp(found.read[0, 0, 1:]), [3.0 * drier, 4.0 * drier]
    )  # geometric mean; what was taken elsewhere is not
    one = np.hypot(PROBE_SPREAD, 0.2 * SALT.spot_strays)
    np.testing.assert_allclose(found.offset_spread[0, 0], one / np.sqrt(2.0))
    assert read(monkeypatch).zones.size == 0


def follower(read):
    made = Follower(LAYERS, Readings(np.array([1]), np.asarray(read, dtype=float)[None], np.full((1, 2), 0.3)))
    made.starts(np.array([[np.inf, 4.0]]))
    return made


def state(salt):
    return LayeredState(np.zeros(1), np.array([salt], dtype=float))


def test_a_sample_s_age_makes_a_start_sure_and_without_one_it_is_only_stated():
    found = follower([[np.nan] * 3] * 2)
    spread = np.sqrt(found.belief.variance[0])
    np.testing.assert_allclose(spread, [SALT.stated_spread, np.hypot(SALT.laboratory_spread, 4.0 * SALT.drift)])
    assert found.informed.tolist() == [[False, True]] and found.alone.tolist() == [[0.0, 4.0]]


@pytest.mark.parametrize(("logged", "kept"), [(True, 0.75), (False, 1.0)])
def test_salt_that_came_in_is_what_was_not_kept_where_the_night_is_known(monkeypatch, logged, kept):
    seen = []
    real = followed.after_day
    monkeypatch.setattr(
        followed,
        "after_day",
        lambda belief, fall, kept, grown: seen.append((fall, kept, grown)) or real(belief, fall, kept, grown),
    )
    made = follower([[np.nan] * 3] * 2)
    # 100 of salt at the end, 25 of it new; ln ECe fell by ln 2 in the upper half and rose in the lower
    after = made.after(1, state([80.0, 40.0]), state([40.0, 60.0]), np.array([25.0]), logged, [])
    ((fall, share, grown),) = seen
    np.testing.assert_allclose(share, [kept])
    np.testing.assert_allclose(fall, [[np.log(2.0), np.log(40.0 / 60.0)]])
    np.testing.assert_allclose(grown, [[np.hypot(SALT.strays, SALT.drift), np.hypot(SALT.strays, SALT.drift * 3.0)]])
    np.testing.assert_allclose(after, [[40.0, 60.0]])  # nobody read: the balance stands
    assert made.alone.tolist() == [[1.0, 5.0]]


def test_a_sample_and_a_reading_move_their_own_half_towards_them():
    read = np.full((2, 3), np.nan)
    read[0, 2] = np.log(4.0)
    made = follower(read)
    paste = LAYERS.paste_water[1]
    balance = state(2.0 * paste)  # 2 dS/m in both halves
    after = made.after(1, balance, balance, np.zeros(1), False, [(0, 1, 6.0)])
    ece = after[0] / paste
    assert ece[0] == pytest.approx(2.0) and 2.0 < ece[1] < 6.0 and made.alone.tolist() == [[1.0, 0.0]]
    after = made.after(2, balance, balance, np.zeros(1), False, [])
    ece = after[0] / paste
    assert 2.0 < ece[0] < 4.0 and ece[0] > 3.5 and made.informed.tolist() == [[True, True]]
    assert made.alone.tolist() == [[0.0, 1.0]]


def joined(seen, variance, age=(np.inf, np.inf)):
    """Zones 4 and 7 of a site: the balance has 2 and 4 dS/m in both; zone 7 was followed to 3 and 8."""
    run = SimpleNamespace(ece=np.array([[2.0, 4.0], [2.0, 4.0]]), age=np.array([[np.inf, np.inf], list(age)]))
    found = SimpleNamespace(zones=np.array([7]), ece=np.array([[3.0, 8.0]]))
    with_probes = SimpleNamespace(
        readings=SimpleNamespace(seen=np.array([seen])), belief=SimpleNamespace(variance=np.array([variance]))
    )
    count = 9
    site = SimpleNamespace(
        zones=SimpleNamespace(surface=np.array([f"s{i}" for i in range(count)]), soil=np.array(["x"] * count))
    )
    layers = equal_layers(*(np.full(count, v) for v in (0.2, 0.2, 0.05, 0.4)))
    return evening._joined(site, layers, np.array([4, 7]), np.full(count, 1.4), run, found, with_probes)


def test_probes_correct_the_halves_they_read_and_the_balance_stands_elsewhere():
    ece, spread, origin = joined([True, False], [0.09, 9.0])
    np.testing.assert_allclose(ece, [[2.0, 4.0], [3.0, 4.0]])
    assert origin.tolist() == ["balance", "probe"]
    unknown = SALT.unknown_spread
    np.testing.assert_allclose(spread, [3.0 * unknown, 3.5 * np.sqrt((0.09 + unknown**2) / 2.0)])


def test_a_probe_is_named_where_it_made_the_zone_clearly_surer():
    # A sample of today is off by so much in ln ECe; a probe must have half of that variance to be named before it.
    sure = SALT.laboratory_spread**2
    _, spread, origin = joined([True, True], [0.6 * sure, 0.6 * sure], age=(0.0, 0.0))
    assert origin.tolist() == ["balance", "laboratory"] and spread[1] == pytest.approx(5.5 * evening.LEAST_SPREAD)
    assert joined([True, True], [0.4 * sure, 9.0], age=(0.0, 0.0))[2].tolist() == ["balance", "probe"]
    _, spread, origin = joined([False, False], [0.1, 0.1], age=(10.0, 10.0))
    assert origin.tolist() == ["balance", "laboratory"]
    assert spread[1] == pytest.approx(
        3.0 * min(np.hypot(SALT.laboratory_spread, 10.0 * SALT.drift), SALT.unknown_spread)
    )

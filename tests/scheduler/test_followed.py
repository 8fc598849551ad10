"""Salinity followed through weeks of readings: which readings count, and what the balance makes of them."""

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from models.choices import SALT
from models.layers import some_layers
from scheduler.salinity.followed import Follower, Readings, evening_ece
from scheduler.salinity.history import salt_history
from scheduler.salinity.readings import layer_samples, probe_factors, recent_readings, site_layers
from tests.scheduler import salty_sites as s

OPENING = pd.Timestamp(s.NIGHT) + timedelta(hours=21)
DATES = pd.date_range(end=pd.Timestamp(s.NIGHT), periods=40)
SAMPLES = "date,zone,depth,ece\n"


def site_of(folder, probes, **files):
    return s.salty(folder, probes=s.PROBE_HEAD + probes, probe_sites=s.PROBE_SITES, **files)


def readings(place, opening=OPENING, dates=DATES):
    factors = probe_factors(place, layer_samples(place, opening), opening)
    return evening_ece(place, site_layers(place), dates, opening, recent_readings(place, opening), factors)


def daily(read, days):
    """Perfect probes, on each of so many days before the evening."""
    return "".join(s.probes_csv(read, at=s.NIGHT - timedelta(days=d)) for d in days)


# -------------------------------------------------------------------------------------------------- which count


def test_evening_readings_by_zone_layer_and_date(tmp_path):
    place = site_of(tmp_path / "a", daily({"G1-5": 3.0, "G1-15": 3.0, "G3-15": 5.0}, (12, 4, 0)))
    found = readings(place)
    assert found.zones.tolist() == [0, 2]
    assert found.read.shape == (2, 2, 40)
    on = np.zeros(40, dtype=bool)
    on[[39 - 12, 39 - 4, 39]] = True
    for row, layer, ece in ((0, 0, 3.0), (0, 1, 3.0), (1, 1, 5.0)):
        np.testing.assert_array_equal(np.isfinite(found.read[row, layer]), on)
        np.testing.assert_allclose(np.exp(found.read[row, layer, on]), ece, rtol=1e-4)
    assert found.seen.tolist() == [[True, True], [False, True]]
    np.testing.assert_allclose(found.offset_spread, [[0.3, 0.3], [np.nan, 0.3]])  # the prior of `probe_corrections`


def test_a_probe_that_reads_only_in_the_night_counts_with_its_night(tmp_path):
    early = "".join(
        f"{s.NIGHT - timedelta(days=d)}T05:30,G1-5,0.18,{s.bulk_ec(3.0, 0.18, 20.0):.6f},20\n"
        for d in range(20, -1, -1)
    )
    found = readings(site_of(tmp_path / "a", early))
    assert np.isfinite(found.read[0, 0]).sum() == 21
    # Beside it one that reads by day: of that one the night is left out.
    both = early + daily({"G2-5": 4.0}, range(0, 10))
    found = readings(site_of(tmp_path / "b", both))
    assert np.isfinite(found.read[:, 0]).sum(axis=1).tolist() == [21, 10]


def test_two_probes_of_a_half_count_together_and_are_surer(tmp_path):
    # Mean of ln ECe; each off by 0.3, their mean by 0.3 / sqrt(2).
    sites = s.PROBE_SITES + "G1-7,G1,7,2026-01-01,\n"
    probes = s.PROBE_HEAD + daily({"G1-5": 2.0, "G1-7": 8.0}, (1, 0))
    found = readings(s.salty(tmp_path / "a", probes=probes, probe_sites=sites))
    np.testing.assert_allclose(np.exp(found.read[0, 0, -2:]), 4.0, rtol=1e-4)
    assert found.offset_spread[0, 0] == pytest.approx(0.3 / np.sqrt(2.0))


def test_a_probe_that_fell_silent_counts_no_longer(tmp_path):
    # The upper one has said nothing for four days (three are allowed): all that it said before is left out.
    upper, lower = daily({"G1-5": 3.0}, range(4, 30)), daily({"G1-15": 6.0}, range(0, 30))
    found = readings(site_of(tmp_path / "a", upper + lower))
    assert found.seen.tolist() == [[False, True]]
    assert np.isfinite(found.read[0, 1]).sum() == 30
    none = readings(site_of(tmp_path / "b", daily({"G1-5": 3.0, "G1-15": 3.0}, range(4, 30))))
    assert none.zones.size == 0
    assert none.read.shape == (0, 2, 40)
    late = readings(site_of(tmp_path / "c", daily({"G1-5": 3.0}, range(2, 30))))
    assert np.isfinite(late.read[0, 0]).sum() == 28


def test_a_probe_taken_elsewhere_speaks_for_where_it_is(tmp_path):
    # A stood in G1 until twelve days ago and is in G2 since: nothing tells where G1 stands now.
    moved = s.NIGHT - timedelta(days=11)
    sites = f"probe,zone,depth,from,until\nA,G1,5,2026-01-01,{moved - timedelta(days=1)}\nA,G2,5,{moved},\n"
    probes = s.PROBE_HEAD + daily({"A": 3.0}, range(30))
    found = readings(s.salty(tmp_path / "a", probes=probes, probe_sites=sites))
    assert found.zones.tolist() == [1]
    assert np.isfinite(found.read[0, 0]).sum() == 12
    np.testing.assert_allclose(found.offset_spread, [[0.3, np.nan]])
    lower = sites.replace("G2,5", "G2,15").replace("G1", "G2")  # set deeper in the same zone: the other half
    found = readings(s.salty(tmp_path / "b", probes=probes, probe_sites=lower))
    assert found.seen.tolist() == [[False, True]]
    np.testing.assert_allclose(found.offset_spread, [[np.nan, 0.3]])


def test_nothing_read_after_the_opening_counts(tmp_path):
    before = daily({"G1-5": 3.0, "G1-15": 3.0}, (1, 0))
    tonight = f"{s.NIGHT}T22:00,G1-5,0.18,{s.bulk_ec(30.0, 0.18, 20.0):.6f},20\n"
    after = s.probes_csv({"G1-5": 30.0, "G1-15": 30.0}, at=s.NIGHT + timedelta(days=1))
    plain = readings(site_of(tmp_path / "a", before))
    more = readings(site_of(tmp_path / "b", before + tonight + after))
    np.testing.assert_array_equal(more.read, plain.read)


def test_what_is_read_just_before_a_window_after_midnight_is_the_evening_s(tmp_path):
    toml = s.HEAD.replace('"21:00"', '"01:00"') + s.PUMP + s.source()
    rows = f"{s.NIGHT + timedelta(days=1)}T00:30,G1-5,0.18,{s.bulk_ec(4.0, 0.18, 20.0):.6f},20\n"
    place = site_of(tmp_path / "a", rows, toml=toml)
    found = readings(place, pd.Timestamp(s.NIGHT) + timedelta(minutes=place.window.of(s.NIGHT)[0]))
    assert np.exp(found.read[0, 0, -1]) == pytest.approx(4.0, rel=1e-4)


def test_readings_are_looked_back_over_so_many_days(tmp_path):
    dates = pd.date_range(end=pd.Timestamp(s.NIGHT), periods=90)
    found = readings(site_of(tmp_path / "a", daily({"G1-5": 3.0}, range(90))), dates=dates)
    assert np.isfinite(found.read[0, 0]).sum() == SALT.followed_for  # the evening's among them
    assert not np.isfinite(found.read[0, 0, : 90 - SALT.followed_for]).any()


# ------------------------------------------------------------------------------------------- what is made of them


def follow(place, read, offset_spread=0.3, samples="", zones=(0, 1, 2)):
    """Run the balance of a site through made-up readings (M, 2, T) of ECe; the run and its follower."""
    demand = s.evening(place)[0]
    taken = Readings(np.array(zones), np.log(read), np.full(read.shape[:2], offset_spread))
    layers, ec = site_layers(place), np.full(len(place.zones), 1.4)
    follower = Follower(layers, taken)
    args = (place, layers, ec, taken.zones, demand.past, layer_samples(place, OPENING), s.NIGHT)
    return salt_history(*args, follower), follower, salt_history(*args)


def test_weeks_of_readings_average_the_noise_of_one(tmp_path):
    # Truth: the balance itself, from a start that the follower does not know. Readings stray by 0.15 from it, all in
    # the 30 zones by themselves; a reading's own error is 0.15, weeks of them leave less than half of it.
    zones = s.zones_csv(*(f"G{i},green,creeping_bentgrass,reclaimed" for i in range(30)))
    start = SAMPLES + "".join(f"{DATES[0].date()},G{i},{d},{e}\n" for i in range(30) for d, e in ((5, 3.0), (15, 5.0)))
    truth = s.salty(tmp_path / "a", zones=zones, samples=start)
    _, _, balance = follow(truth, np.full((30, 2, 40), np.nan), zones=range(30))
    noise = np.exp(0.15 * np.random.default_rng(5).standard_normal((30, 2, 40)))
    place = s.salty(tmp_path / "b", zones=zones)
    every = balance.path * noise
    last = np.where(np.arange(40) == 39, every, np.nan)
    weeks, _, bare = follow(place, every, offset_spread=0.05, zones=range(30))
    once, _, _ = follow(place, last, offset_spread=0.05, zones=range(30))
    wrong = [np.sqrt(np.mean(np.log(run.ece / balance.ece) ** 2)) for run in (weeks, once, bare)]
    assert wrong[1] == pytest.approx(0.15, rel=0.3)
    assert wrong[0] < 0.5 * wrong[1] < wrong[2]


def test_a_sample_counts_on_its_day_and_teaches_what_the_probe_reads_off(tmp_path):
    # Truth: the balance from a start the follower does not know. All probes read twice of it; on the twentieth date the
    # laboratory finds in G1 what is there.
    start = SAMPLES + "".join(f"{DATES[0].date()},{z},{d},4.0\n" for z in ("G1", "G2", "G3") for d in (5, 15))
    _, _, truth = follow(s.salty(tmp_path / "a", samples=start), np.full((3, 2, 40), np.nan))
    day = 19
    found = "".join(f"{DATES[day].date()},G1,{d},{truth.path[0, i, day]}\n" for i, d in enumerate((5, 15)))
    run, follower, _ = follow(s.salty(tmp_path / "b", samples=SAMPLES + found), 2.0 * truth.path)
    off = np.log(run.path / truth.path) / np.log(2.0)  # 0: as the laboratory has it, 1: as the probe has it
    assert np.all(off[:, :, day - 1] > 0.6)  # mostly believed, though the water's salt speaks against it
    # On the day: the sample's spread is 0.1 and that of zone and probe about what a probe may be off, 0.3: weight 0.9.
    assert np.all(off[0, :, day] < 0.2)
    assert np.all(follower.belief.offset[0] > 0.75 * np.log(2.0))  # the probe's
    assert np.all(np.abs(off[0, :, day:]) < 0.2)  # so that it misleads no longer
    assert np.all(off[1:, :, -1] > 0.6)  # zones without a sample believe theirs


def test_no_reading_and_no_sample_is_the_balance_alone(tmp_path):
    run, follower, bare = follow(s.salty(tmp_path / "a"), np.full((3, 2, 40), np.nan))
    np.testing.assert_allclose(run.path, bare.path, rtol=1e-12)
    assert np.all(follower.belief.variance > 9.0)  # as little known as the stated start


def test_layers_and_zones_are_corrected_by_their_own_readings(tmp_path):
    read = np.full((3, 2, 40), np.nan)
    read[1, 0, 39] = 5.0
    run, _, bare = follow(s.salty(tmp_path / "a"), read)
    rest = np.ones((3, 2), dtype=bool)
    rest[1, 0] = False
    np.testing.assert_allclose(run.ece[rest], bare.ece[rest], rtol=1e-12)
    assert run.ece[1, 0] == pytest.approx(5.0, rel=0.02)


def test_a_zone_followed_alone_fares_as_among_others(tmp_path):
    place = s.salty(tmp_path / "a")
    read = 4.0 * np.exp(0.2 * np.random.default_rng(2).standard_normal((3, 2, 40)))
    read[:, :, ::3] = np.nan
    together, _, _ = follow(place, read)
    alone, follower, _ = follow(place, read[[2]], zones=(2,))
    np.testing.assert_allclose(alone.path[0], together.path[2], rtol=1e-12)
    layers = some_layers(site_layers(place), np.array([2]))
    np.testing.assert_array_equal(follower.layers.thickness, layers.thickness)


def test_a_state_is_corrected_in_salt_and_not_in_water(tmp_path):
    # Salt follows ECe by the paste's water; moisture is not the reading's to change.
    run, _, bare = follow(s.salty(tmp_path / "a"), np.full((3, 2, 40), 9.0))
    np.testing.assert_allclose(run.depletion, bare.depletion, rtol=1e-12)
    np.testing.assert_allclose(run.drainage, bare.drainage, rtol=1e-12)


def test_salt_the_log_has_replaced_makes_the_balance_sure(tmp_path):
    # With a log and water that leaches, what the start stood for is gone after weeks, and with it most of its spread.
    nights = [s.NIGHT - timedelta(days=d) for d in range(39, 0, -1)]
    log = "night,zone,minutes\n" + "".join(f"{n},{z},60\n" for n in nights for z in ("G1", "G2", "G3"))
    none = np.full((3, 2, 40), np.nan)
    _, leached, _ = follow(s.salty(tmp_path / "a", applied=log), none)
    _, unknown, _ = follow(s.salty(tmp_path / "b"), none)
    assert np.all(leached.belief.variance < 0.5)
    assert np.all(unknown.belief.variance > 9.0)

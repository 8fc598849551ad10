"""From probe EC and samples to ECe by zone and half of the roots: which readings count, what samples say of probes."""

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from scheduler.salinity import readings as r
from tests.scheduler import salty_sites as s

OPENING = pd.Timestamp(s.NIGHT) + timedelta(hours=21)
SAMPLES = "date,zone,depth,ece\n"


def row(day, hour, probe, ece, moisture=0.18, temperature=20.0, blank=False):
    bulk = s.bulk_ec(ece, moisture, temperature if not blank else 25.0)
    return f"{day}T{hour:02d}:00,{probe},{moisture},{bulk:.9f},{'' if blank else temperature}\n"


def place(folder, *rows, **files):
    return s.salty(folder, probes=s.PROBE_HEAD + "".join(rows), probe_sites=s.PROBE_SITES, **files)


def ece_of(table, probe="G1-5"):
    return table.set_index("probe")["ece"].get(probe)


@pytest.mark.parametrize("temperature", [5.0, 12.0, 20.0, 33.0])
def test_a_warm_and_a_cold_reading_of_the_same_soil_agree(tmp_path, temperature):
    found = r.recent_readings(place(tmp_path, row(s.NIGHT, 12, "G1-5", 3.0, temperature=temperature)), OPENING)
    assert ece_of(found) == pytest.approx(3.0, rel=1e-6)


def test_a_reading_without_temperature_counts_as_at_25(tmp_path):
    found = r.recent_readings(place(tmp_path, row(s.NIGHT, 12, "G1-5", 3.0, blank=True)), OPENING)
    assert ece_of(found) == pytest.approx(3.0, rel=1e-3)


def test_the_median_of_a_probes_last_day_speaks(tmp_path):
    yesterday = s.NIGHT - timedelta(days=1)
    rows = [
        row(yesterday, 8, "G1-5", 9.0),
        *(row(s.NIGHT, h, "G1-5", e) for h, e in ((10, 2.0), (11, 3.0), (12, 40.0))),
    ]
    found = r.recent_readings(place(tmp_path, *rows), OPENING)
    assert ece_of(found) == pytest.approx(3.0, rel=1e-6)
    assert found["time"].tolist() == [pd.Timestamp(s.NIGHT) + timedelta(hours=12)]  # as of its last


@pytest.mark.parametrize(("days", "known"), [(2, True), (3, False)])
def test_three_days_on_a_reading_is_too_old(tmp_path, days, known):
    found = r.recent_readings(place(tmp_path, row(s.NIGHT - timedelta(days=days), 20, "G1-5", 3.0)), OPENING)
    assert (len(found) == 1) == known


def test_nothing_after_opening_or_implausible_or_dry_counts(tmp_path):
    rows = [
        row(s.NIGHT, 22, "G1-5", 3.0),
        row(s.NIGHT, 12, "G2-5", 80.0),
        row(s.NIGHT, 12, "G2-15", 0.01),
        row(s.NIGHT, 12, "G3-5", 3.0, moisture=0.09),
        row(s.NIGHT, 12, "G3-15", 3.0, moisture=0.11),
    ]
    assert r.recent_readings(place(tmp_path, *rows), OPENING)["probe"].tolist() == ["G3-15"]


def test_readings_by_day_are_those_of_the_calm_hours(tmp_path):
    rows = [row(s.NIGHT, h, "G1-5", e) for h, e in ((2, 9.0), (9, 8.0), (10, 3.0), (17, 3.0), (18, 7.0), (20, 8.0))]
    rows += [row(s.NIGHT, h, "G2-5", 4.0) for h in (2, 20)]  # which never reads by day
    found = r.calm_readings(place(tmp_path, *rows), OPENING - timedelta(days=5), OPENING)
    assert ece_of(found) == pytest.approx(3.0, rel=1e-6)
    assert ece_of(found, "G2-5") == pytest.approx(4.0, rel=1e-6)
    assert found["day"].tolist() == [pd.Timestamp(s.NIGHT)] * 2


def test_depths_fall_to_the_half_of_the_roots_they_lie_in(tmp_path):
    made = place(tmp_path)  # roots of 20 cm
    assert r.layer_at(made, np.zeros(4, int), np.array([2.0, 10.0, 10.1, 40.0])).tolist() == [0, 0, 1, 1]


def test_samples_have_their_place_and_only_past_ones_count(tmp_path):
    later = s.NIGHT + timedelta(days=1)
    made = place(tmp_path, samples=SAMPLES + f"{s.NIGHT},G1,5,2.5\n{later},G1,5,9\n2026-07-01,G2,15,6\n")
    found = r.layer_samples(made, pd.Timestamp(s.NIGHT))
    assert found[["zone", "layer", "ece"]].to_numpy().tolist() == [["G2", 1, 6.0], ["G1", 0, 2.5]]


def test_a_sample_beside_a_probe_corrects_it_and_one_far_off_does_not(tmp_path):
    day = s.NIGHT - timedelta(days=4)
    rows = [row(day, 12, p, 2.0) for p in ("G1-5", "G2-5", "G3-5")]
    rows += [row(day - timedelta(days=2), 12, "G3-15", 2.0)]
    files = {
        "samples": SAMPLES + f"{day},G1,6,4\n{day},G2,12,4\n{day},G3,15,4\n"
    }  # G2's is 7 cm off, G3's lower 2 days
    made = place(tmp_path, *rows, **files)
    found = r.probe_factors(made, r.layer_samples(made, pd.Timestamp(s.NIGHT)), OPENING)
    # One pair that reads half: the ratio 2 is believed 0.30^2 / (0.30^2 + 0.25^2) of the way on its logarithm.
    assert found["G1-5"][0] == pytest.approx(2 ** (0.30**2 / (0.30**2 + 0.25**2)), rel=1e-4)
    assert [found[p][0] for p in ("G2-5", "G3-5", "G3-15")] == [1.0, 1.0, 1.0]
    assert found["G1-5"][1] < found["G2-5"][1]


def test_a_site_without_probes_has_nothing_to_correct(tmp_path):
    made = s.salty(tmp_path)
    assert r.probe_factors(made, r.layer_samples(made, pd.Timestamp(s.NIGHT)), OPENING) == {}
    assert len(r.recent_readings(made, OPENING)) == 0

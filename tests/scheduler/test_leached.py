"""How well water leaches, learned from weeks of readings: fitted by kin, said, and silent where little was read."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from models.choices import SALT
from scheduler.salinity.history import salt_history
from scheduler.salinity.readings import layer_samples, site_layers
from tests.drawn import some
from tests.scheduler import salty_sites as s

DATES = pd.date_range(end=pd.Timestamp(s.NIGHT), periods=40)
SAMPLES = "date,zone,depth,ece\n" + "".join(
    f"{DATES[0].date()},{z},{d},{e}\n" for z in ("G1", "G2", "G3") for d, e in ((5, 2.0), (15, 6.0))
)
MIXED = s.zones_csv(
    "G1,green,creeping_bentgrass,reclaimed",
    "G2,fairway,creeping_bentgrass,reclaimed",
    "G3,tee,tall_fescue,reclaimed",
)


def log():
    """Every night refills what a date takes, 0.88 of 5 mm (22 min at 12 mm/h); every eighth runs 40 min longer."""
    nights = [s.NIGHT - timedelta(days=d) for d in range(39, 0, -1)]
    rows = [f"{n},{z},{62 if i % 8 == 5 else 22}\n" for i, n in enumerate(nights) for z in ("G1", "G2", "G3")]
    return "night,zone,minutes\n" + "".join(rows)


def read_by(folder, mixing, zones=("G1",), last=30, layers=(0, 1), table=s.GREENS):
    """probes.csv of perfect probes in the balance's own soil with `mixing`, over the last dates before the evening."""
    place = s.salty(folder, zones=table, applied=log(), samples=SAMPLES)
    true = replace(site_layers(place), mixing=np.full((3, 2), mixing))
    rows = np.arange(3)
    samples = layer_samples(place, DATES[-1] + timedelta(hours=21))
    run = salt_history(place, true, np.full(3, 1.4), rows, s.evening(place)[0].past, samples, s.NIGHT)
    text = s.PROBE_HEAD
    for i in range(40 - last, 40):
        read = {
            f"{z}-{d}": run.path[int(z[1]) - 1, layer, i]
            for z in zones
            for layer, d in enumerate((5, 15))
            if layer in layers
        }
        text += s.probes_csv(read, at=DATES[i].date())
    return text


def evening(folder, probes, table=s.GREENS):
    place = s.salty(folder, zones=table, applied=log(), probes=probes, probe_sites=s.PROBE_SITES)
    return s.evening(place)[2]


def notes(salt):
    return [n.text for n in salt.notes if "learned" in n.text]


@pytest.mark.drawn
@pytest.mark.parametrize("mixing", some([0.7, 3.0, 1.0], 1))
def test_weeks_of_readings_move_mixing_towards_what_was_read(tmp_path, mixing):
    one = evening(tmp_path / "b", read_by(tmp_path / "a", mixing))
    all_three = evening(tmp_path / "d", read_by(tmp_path / "c", mixing, zones=("G1", "G2", "G3")))
    away = [abs(np.log(f / mixing)) for f in (2.0, one.layers.mixing[0, 0], all_three.layers.mixing[0, 0])]
    assert away[0] > away[1] > away[2]
    assert np.ptp(one.layers.mixing) == 0.0  # kin: the same green on the same soil
    assert notes(one) == ["how well water leaches is learned from what probes have read in 1 zone"]
    assert notes(all_three) == ["how well water leaches is learned from what probes have read in 3 zones"]


def test_readings_as_believed_leave_mixing_as_it_is(tmp_path):
    salt = evening(tmp_path / "b", read_by(tmp_path / "a", 2.0))
    assert salt.layers.mixing[0, 0] == pytest.approx(2.0, rel=0.05)


def test_zones_of_another_surface_are_not_touched(tmp_path):
    salt = evening(tmp_path / "b", read_by(tmp_path / "a", 1.0, table=MIXED), table=MIXED)
    assert np.all(salt.layers.mixing[0] < 1.9)
    assert (salt.layers.mixing[1:] == 2.0).all()


def test_each_kin_learns_its_own(tmp_path):
    poor = read_by(tmp_path / "a", 1.0, table=MIXED)
    good = read_by(tmp_path / "b", 3.0, zones=("G2",), table=MIXED).removeprefix(s.PROBE_HEAD)
    salt = evening(tmp_path / "c", poor + good, table=MIXED)
    assert salt.layers.mixing[0, 0] < 1.9
    assert salt.layers.mixing[1, 0] > 2.1
    assert (salt.layers.mixing[2] == 2.0).all()


def test_too_few_days_teach_nothing(tmp_path):
    few = evening(tmp_path / "b", read_by(tmp_path / "a", 1.0, last=SALT.taught_days - 1))
    assert (few.layers.mixing == 2.0).all()
    assert notes(few) == []
    enough = evening(tmp_path / "d", read_by(tmp_path / "c", 1.0, last=SALT.taught_days))
    assert notes(enough)


@pytest.mark.drawn
@pytest.mark.parametrize("layer", some([0, 1], 1))
def test_one_half_alone_teaches_nothing(tmp_path, layer):
    salt = evening(tmp_path / "b", read_by(tmp_path / "a", 1.0, layers=(layer,)))
    assert (salt.layers.mixing == 2.0).all()
    assert notes(salt) == []


def test_halves_read_on_different_days_teach_nothing(tmp_path):
    lines = read_by(tmp_path / "a", 1.0).splitlines(keepends=True)
    turn = [line for line in lines[1:] if ("G1-5" in line) == (int(line[8:10]) % 2 == 0)]
    salt = evening(tmp_path / "b", s.PROBE_HEAD + "".join(turn))
    assert (salt.layers.mixing == 2.0).all()


def test_a_site_without_probes_has_its_published_setting(tmp_path):
    salt = s.evening(s.salty(tmp_path / "a", applied=log()))[2]
    assert (salt.layers.mixing == 2.0).all()
    assert notes(salt) == []


def test_what_is_learned_brings_the_balance_of_kin_nearer(tmp_path):
    # G3 has no probe but a sample at the start, as G1 and G2 have: with what their probes have taught, its balance
    # ends nearer to the soil's own than with the published setting.
    probes = read_by(tmp_path / "a", 0.7, zones=("G1", "G2"))
    files = {"applied": log(), "samples": SAMPLES}
    truth = s.salty(tmp_path / "b", **files)
    layers = replace(site_layers(truth), mixing=np.full((3, 2), 0.7))
    past, taken = s.evening(truth)[0].past, layer_samples(truth, DATES[-1])
    run = salt_history(truth, layers, np.full(3, 1.4), np.arange(3), past, taken, s.NIGHT)
    plain = s.evening(truth)[2]
    learned = s.evening(s.salty(tmp_path / "c", **files, probes=probes, probe_sites=s.PROBE_SITES))[2]
    wrong = [np.abs(np.log(found.mean[2] / run.ece[2].mean())) for found in (plain, learned)]
    assert wrong[1] < 0.75 * wrong[0]

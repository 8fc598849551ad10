"""Salinity tonight: samples, probes, the balance and kin; hand-worked values, laws and step-downs."""

from datetime import date, timedelta

import numpy as np
import pytest

from models.layers import ece_of, root_zone_ece, state_from_ece
from models.salts import salt_stress
from models.soil import run_balance
from scheduler.salinity.evening import forecast_salt, salt_dry_limit
from scheduler.salinity.readings import median_ece
from scheduler.supply import usual_source_ec
from tests.scheduler import salty_sites as s

SAMPLES = "date,zone,depth,ece\n"


def test_a_site_without_salt_has_no_salinity(tmp_path):
    _, _, salt, _ = s.evening(s.salty(tmp_path / "a", toml=s.HEAD + s.PUMP + s.source(ec=0.0)))
    assert not salt.known.any()
    assert set(salt.origin) == {""}
    assert salt.notes == ()


def test_balance_holds_all_the_salt_that_came(tmp_path):
    # No log: every night refills what the date took, nothing drains and no rain falls, so the salt of the root zone is
    # the start's and that of the water: 39 nights, the first of them on a full root zone (0 mm).
    place = s.salty(tmp_path / "a")
    demand, _, salt, _ = s.evening(place)
    etc = 5.0 * place.zones.kc_month[0, demand.past["date"].dt.month.to_numpy() - 1]
    water = etc[1:-1].sum()  # what the nights after the first put back
    # Start: FAO-29 ch. 2 at LF 0.15, roots 70 and 30 %: 1, 1 / (1 - 0.85 * 0.7), 1 / 0.15 times ECw, means of the two
    # halves, diluted from 0.20 m3/m3 to the paste, of which each layer of 0.1 m holds 100 s.PASTE mm.
    bounds = np.array([1.0, 1.0 / (1.0 - 0.85 * 0.7), 1.0 / 0.15])
    start = 1.4 * 0.5 * (bounds[1:] + bounds[:-1]) * 0.20 / s.PASTE
    assert (salt.ece[0] * 100 * s.PASTE).sum() == pytest.approx((start * 100 * s.PASTE).sum() + 1.4 * water, rel=1e-9)
    assert set(salt.origin) == {"balance"}
    assert [n.kind for n in salt.notes] == ["step_down", "step_down"]
    assert "no log of applied water" in salt.notes[0].text
    assert "reckoned" in salt.notes[1].text


def test_a_logged_night_without_water_brings_no_salt(tmp_path):
    log = "night,zone,minutes\n" + "".join(f"{s.NIGHT - timedelta(days=d)},G1,10\n" for d in range(39, 0, -1))
    _, _, salt, _ = s.evening(s.salty(tmp_path / "a", applied=log))
    assert salt.mean[0] > salt.mean[1] == salt.mean[2]  # G2 and G3 are in no row of the nights the log covers
    bounds = np.array([1.0, 1.0 / (1.0 - 0.85 * 0.7), 1.0 / 0.15])
    start = 1.4 * 0.5 * (bounds[1:] + bounds[:-1]) * 0.20 / s.PASTE
    np.testing.assert_allclose(salt.ece[1], start, rtol=1e-9)


def test_tonights_sample_is_what_stands(tmp_path):
    files = {"samples": SAMPLES + f"{s.NIGHT},G1,5,2.5\n{s.NIGHT},G1,15,6.0\n"}
    _, _, salt, _ = s.evening(s.salty(tmp_path / "a", **files))
    np.testing.assert_allclose(salt.ece[0], [2.5, 6.0])
    assert salt.origin[0] == "laboratory"
    assert salt.spread[0] == pytest.approx(0.1 * 4.25)
    assert salt.newest_sample == s.NIGHT


def test_samples_outrank_probes_on_their_day_and_probes_old_samples(tmp_path):
    # The probe reads 4.0 where the laboratory finds 2.0. On the day, the laboratory is three times as sure.
    readings = s.PROBE_HEAD + s.probes_csv({"G1-5": 4.0, "G1-15": 8.0})
    fresh = SAMPLES + f"{s.NIGHT},G1,5,2.0\n{s.NIGHT},G1,15,4.0\n"
    files = {"probes": readings, "probe_sites": s.PROBE_SITES}
    _, _, salt, _ = s.evening(s.salty(tmp_path / "a", samples=fresh, **files))
    assert salt.origin[0] == "laboratory"
    np.testing.assert_allclose(salt.ece[0], [2.0, 4.0], rtol=0.1)
    assert salt.corrections["G1-5"] == pytest.approx(0.5 ** (0.09 / (0.09 + 0.0625)))  # w = t^2 / (t^2 + s^2)
    old = SAMPLES + f"{s.NIGHT - timedelta(days=60)},G1,5,2.0\n{s.NIGHT - timedelta(days=60)},G1,15,4.0\n"
    _, _, salt, _ = s.evening(s.salty(tmp_path / "b", samples=old, **files))
    assert salt.origin[0] == "probe"


def test_a_perfect_probe_is_read_back(tmp_path):
    # Bulk EC worked backwards from ECe 3.2 and 6.4: the chain must return them, whatever the hour.
    files = {"probes": s.PROBE_HEAD + s.probes_csv({"G1-5": 3.2, "G1-15": 6.4}), "probe_sites": s.PROBE_SITES}
    place = s.salty(tmp_path / "a", **files)
    read = median_ece(place, place.probes)
    np.testing.assert_allclose(read.sort_values("layer")["ece"], [3.2, 6.4], rtol=1e-4)


def test_a_start_that_is_only_stated_gives_way_to_the_first_reading(tmp_path):
    # No log, so that no salt is known to have taken the place of the start's. Its spread is 3; 39 dates after the first
    # add 39 * 0.03^2 for each by itself and (39 * 0.015)^2 for running alone: P = 9 + 0.0351 + 0.3422 = 9.3773. The
    # probe's own offset has a spread of 0.3, a point strays by 0.15: of the surprise the zone takes
    # P / (P + 0.09 + 0.0225) = 0.98815. Both halves read 4.0: readings that agree stay as read.
    files = {"probes": s.PROBE_HEAD + s.probes_csv({"G1-5": 4.0, "G1-15": 4.0}), "probe_sites": s.PROBE_SITES}
    _, _, salt, _ = s.evening(s.salty(tmp_path / "a", **files))
    _, _, bare, _ = s.evening(s.salty(tmp_path / "b"))
    assert salt.origin[0] == "probe"
    pull = np.log(salt.ece[0] / bare.ece[0]) / np.log(4.0 / bare.ece[0])
    np.testing.assert_allclose(pull, 9.3773 / 9.4898, atol=1e-5)
    # What is left is what the probe may be off by: sqrt(9.3773 * 0.1125 / 9.4898) of the mean, as sure in both halves.
    assert salt.spread[0] == pytest.approx(0.33341 * salt.mean[0], rel=1e-4)
    assert salt.spread[0] / salt.mean[0] < bare.spread[0] / bare.mean[0]


def test_readings_that_rise_downward_are_taken_for_points_of_the_profile(tmp_path):
    # At 5 and 15 of 20 cm: 1 / 0.66 and 1 / 0.235 of the steady profile, whose halves have 1.5686 and 4.2418
    # (tests/models/test_salt_following.py). Readings that rise as it does are those points of it.
    files = {"probes": s.PROBE_HEAD + s.probes_csv({"G1-5": 2.0 / 0.66, "G1-15": 2.0 / 0.235})}
    _, _, salt, _ = s.evening(s.salty(tmp_path / "a", **files, probe_sites=s.PROBE_SITES))
    _, _, bare, _ = s.evening(s.salty(tmp_path / "b"))
    read = 2.0 * np.array([1.5686, 4.2418])
    pull = 9.3773 / 9.4898  # as where readings agree, above
    np.testing.assert_allclose(salt.ece[0], bare.ece[0] * (read / bare.ece[0]) ** pull, rtol=1e-3)


@pytest.mark.parametrize(
    "spoiled",
    [
        s.probes_csv({"G1-5": 3.0}, at=s.NIGHT - timedelta(days=4)),  # too old
        s.probes_csv({"G1-5": 3.0}, moisture=0.08),  # too dry for the relation
        s.probes_csv({"G1-5": 90.0}),  # no soil is that salty
    ],
    ids=["old", "dry", "implausible"],
)
def test_readings_that_say_nothing_are_left_out(tmp_path, spoiled):
    files = {"probes": s.PROBE_HEAD + spoiled, "probe_sites": s.PROBE_SITES}
    _, _, salt, _ = s.evening(s.salty(tmp_path / "a", **files))
    assert set(salt.origin) == {"balance"}


def test_kin_learn_how_far_the_balance_is_off(tmp_path):
    # G1 and G2 read twice the balance in both layers; G3 takes their mean correction by 2 / (2 + (0.5 / 0.5)^2).
    _, _, bare, _ = s.evening(s.salty(tmp_path / "a"))
    upper, lower = bare.ece[0]
    read = {"G1-5": 2 * upper, "G1-15": 2 * lower, "G2-5": 2 * upper, "G2-15": 2 * lower}
    files = {"probes": s.PROBE_HEAD + s.probes_csv(read), "probe_sites": s.PROBE_SITES}
    _, _, salt, _ = s.evening(s.salty(tmp_path / "b", **files))
    assert salt.origin.tolist() == ["probe", "probe", "kin"]
    gain = np.log(salt.ece / bare.ece)
    np.testing.assert_allclose(gain[2], 2.0 / 3.0 * gain[:2].mean(axis=0), rtol=1e-9)
    relative = salt.spread / salt.mean  # spreads are of ln ECe; G1 stands higher than G3
    assert relative[0] < relative[2]


def test_usual_water_is_the_blend_or_the_first_named(tmp_path):
    toml = s.HEAD + s.PUMP + s.source() + s.source("well", 0.6)
    zones = s.zones_csv("G1,green,creeping_bentgrass,well|reclaimed", "G2,green,creeping_bentgrass,")
    assert usual_source_ec(s.salty(tmp_path / "a", toml, zones)).tolist() == [0.6, 1.4]
    blended = s.HEAD + s.PUMP + s.source() + "share = 0.25\n" + s.source("well", 0.6) + "share = 0.75\n"
    assert usual_source_ec(s.salty(tmp_path / "b", blended, zones))[0] == pytest.approx(0.25 * 1.4 + 0.75 * 0.6)


def test_forecast_conserves_salt_and_follows_the_water(tmp_path):
    place = s.salty(tmp_path / "a", forecast=s.forecast_csv(rain={3: 30.0}))
    _, _, salt, inputs = s.evening(place)
    plan = inputs.plan
    water = np.tile([0.0, 20.0, 0.0, 4.0, 4.0, 4.0, 4.0], (3, 1))
    ec = np.full(water.shape, 1.4)
    found = forecast_salt(salt, water, ec, plan.etc, plan.effective_rain, inputs.depletion_fraction)
    one = run_balance(plan.depletion, water, plan.etc, plan.effective_rain, plan.taw, inputs.depletion_fraction)
    held = (found.ece * salt.layers.paste_water[:, :, None]).sum(axis=1)
    start = (salt.ece * salt.layers.paste_water).sum(axis=1)
    dry = one.drainage == 0.0
    gained = np.diff(np.column_stack([start, held]), axis=1)
    np.testing.assert_allclose(gained[dry], (water * ec)[dry], atol=1e-9)
    assert np.all(gained[~dry] < (water * ec)[~dry])
    assert (~dry).any(axis=0).tolist()[:3] == [False, True, True]  # the flush of the second night, then the storm
    np.testing.assert_allclose(found.mean, found.ece.mean(axis=1))


def test_unknown_zones_stay_unknown(tmp_path):
    zones = s.zones_csv("G1,green,creeping_bentgrass,reclaimed", "G2,green,creeping_bentgrass,rainwater")
    toml = s.HEAD + s.PUMP + s.source() + s.source("rainwater", 0.0)
    _, _, salt, inputs = s.evening(s.salty(tmp_path / "a", toml, zones))
    assert salt.known.tolist() == [True, False]
    plan = inputs.plan
    found = forecast_salt(
        salt, plan.etc, np.full(plan.etc.shape, 1.4), plan.etc, plan.effective_rain, inputs.depletion_fraction
    )
    assert np.isfinite(found.mean[0]).all()
    assert np.isnan(found.mean[1]).all()


def test_salt_raises_the_dry_limit(tmp_path):
    # FAO-56 Eq. 90: threshold 3.7, slope 7.6 %: at 5.7 dS/m Ks = 1 - 2.0 * 0.076 = 0.848. The limit falls from RAW by
    # (1 - 0.848) (1 - p) TAW; at 20 dS/m it would pass half of RAW and stops there; below the threshold it is RAW.
    place = s.salty(tmp_path / "a")
    _, state, salt, inputs = s.evening(place)
    salt = s.with_ece(salt, [[5.7, 5.7], [20.0, 20.0], [2.0, 4.0]])
    threshold, slope = place.zones.ece_threshold[0], place.zones.ece_slope[0]
    ks = float(salt_stress(5.7, threshold, slope))
    p = inputs.depletion_fraction
    limit = salt_dry_limit(place, salt, state.taw, p)
    raw = p * state.taw[:, None]
    np.testing.assert_allclose(limit[0], raw[0] - (1.0 - ks) * (1.0 - p[0]) * state.taw[0])
    np.testing.assert_allclose(limit[1], 0.5 * raw[1])
    np.testing.assert_allclose(limit[2], raw[2])


def test_nothing_newer_than_the_evening_is_used(tmp_path):
    tomorrow = s.NIGHT + timedelta(days=1)
    files = {
        "samples": SAMPLES + f"{tomorrow},G1,5,20\n{tomorrow},G1,15,30\n",
        "probes": s.PROBE_HEAD + s.probes_csv({"G1-5": 20.0, "G1-15": 30.0}, at=tomorrow),
        "probe_sites": s.PROBE_SITES,
    }
    _, _, salt, _ = s.evening(s.salty(tmp_path / "a", **files))
    _, _, bare, _ = s.evening(s.salty(tmp_path / "b"))
    np.testing.assert_array_equal(salt.ece, bare.ece)


def test_a_sample_before_the_balance_begins_is_its_start(tmp_path):
    early = s.NIGHT - timedelta(days=100)
    log = "night,zone,minutes\n" + "".join(f"{date(2026, 1, 1) + timedelta(days=d)},G2,0\n" for d in range(194))
    files = {"samples": SAMPLES + f"{early},G1,5,2.0\n{early},G1,15,5.0\n", "applied": log}
    _, _, salt, _ = s.evening(s.salty(tmp_path / "a", **files))
    np.testing.assert_allclose(salt.ece[0], [2.0, 5.0])  # no water since: as it was
    assert salt.spread[0] == pytest.approx(0.5 * 3.5)  # long ago: as unsure as the stated start
    start = state_from_ece(salt.layers, np.zeros(3), salt.ece)
    np.testing.assert_allclose(root_zone_ece(salt.layers, ece_of(salt.layers, start)), salt.mean)


def test_a_probe_in_one_half_says_nothing_of_the_other(tmp_path):
    _, _, bare, _ = s.evening(s.salty(tmp_path / "a"))
    files = {"probes": s.PROBE_HEAD + s.probes_csv({"G1-5": 5.0}), "probe_sites": s.PROBE_SITES}
    _, _, salt, _ = s.evening(s.salty(tmp_path / "b", **files))
    assert salt.ece[0, 0] > 1.5 * bare.ece[0, 0]
    assert salt.ece[2, 0] > bare.ece[2, 0]  # kin, by the half that was read
    np.testing.assert_array_equal(salt.ece[:, 1], bare.ece[:, 1])

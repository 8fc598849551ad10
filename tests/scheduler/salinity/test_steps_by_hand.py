"""Steps of an evening's salts one by one: samples and readings placed, the log, kin, the season's course; by hand."""

from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import SALT
from models.layers import equal_layers, fed_layers, state_from_ece
from scheduler.salinity import evening, followed, mixing, report
from scheduler.salinity.flush_depths import flush_drainage
from scheduler.salinity.followed import Readings
from scheduler.salinity.history import _by_date, _log, _start
from scheduler.salinity.readings import (
    calm_readings,
    held_over_gravel,
    layer_at,
    layer_samples,
    median_ece,
    probe_factors,
    recent_readings,
    site_layers,
)
from tests.scheduler import salty_sites as s

NAN = np.nan
DATES = pd.date_range("2026-07-01", periods=12)
OPENING = pd.Timestamp("2026-07-14 21:00")


def zones(**given):
    """Two zones: G on 20 cm of sand, F on 30 cm of loam."""
    usual = {
        "zone": np.array(["G", "F"]),
        "soil": np.array(["sand_rootzone", "loam"]),
        "surface": np.array(["green", "fairway"]),
        "root_depth": np.array([0.2, 0.3]),
        "fed_depth": np.array([0.2, 0.3]),
        "field_capacity": np.array([0.2, 0.27]),
        "wilting_point": np.array([0.05, 0.12]),
        "gross_rate": np.array([0.2, 0.25]),
    }

    class Zones(SimpleNamespace):
        def __len__(self):
            return len(self.zone)

    return Zones(**usual | given)


# ----------------------------------------------------------------------------------------------- samples and readings


def test_the_paste_holds_a_little_more_than_field_capacity_whatever_the_texture():
    layers = site_layers(SimpleNamespace(zones=zones(field_capacity=np.array([0.2, 0.6]))))
    assert layers.paste[0, 0] == pytest.approx(s.PASTE) and layers.paste[1, 0] == pytest.approx(0.62)
    np.testing.assert_allclose(layers.thickness, [[0.1, 0.1], [0.15, 0.15]])


def gravel(level, **changes):
    """Three greens of sand, two over gravel, and 20 days of their probes at noon, `level` by probe."""
    given = {
        "zone": np.array(["G", "H", "I"]), "soil": np.array(["sand_rootzone"] * 3), "surface": np.array(["green"] * 3),
        "field_capacity": np.full(3, 0.2), "wilting_point": np.full(3, 0.045), "fed_depth": np.full(3, 0.3),
        "root_depth": np.full(3, 0.15), "over_gravel": np.array([True, True, False]),
    }  # fmt: skip
    days = pd.date_range("2026-06-20 12:00", periods=20)
    read = {p: np.asarray(v) + np.zeros(20) for p, v in level.items()}
    parts = [pd.DataFrame({"time": days, "probe": p, "moisture": v}) for p, v in read.items()]
    sites = pd.DataFrame({"probe": list("ABCDE"), "zone": list("HHIGG"), "depth": [7.5, 18.0, 7.5, 7.5, 10.0]})
    sites = sites.assign(**{"from": pd.NaT, "until": pd.NaT})
    probes = pd.concat(parts, ignore_index=True)
    return SimpleNamespace(zones=zones(**given | changes), probes=probes, probe_sites=sites)


def test_sand_over_gravel_holds_what_its_upper_probes_read_on_their_wettest_days():
    steps = np.linspace(0.24, 0.259, 20)  # wettest tenth of days from .2571 on
    held = held_over_gravel(gravel({"A": steps, "B": 0.4, "C": 0.5}), OPENING)  # B in the lower half, C not over gravel
    weight = 1.0 / (1.0 + (0.11 / 0.15) ** 2)
    seen = 0.88 * np.quantile(steps, 0.9)
    assert held[:2] == pytest.approx([0.2 * (seen / 0.2) ** weight] * 2) and np.isnan(held[2])
    # two probes: their median, more of it; one of nine days says nothing, nor readings after opening
    held = held_over_gravel(gravel({"A": 0.26, "D": 0.30}), OPENING)
    assert held[0] == pytest.approx(0.2 * (0.88 * 0.28 / 0.2) ** (2.0 / (2.0 + (0.11 / 0.15) ** 2)))
    three = held_over_gravel(gravel({"A": 0.26, "D": 0.28, "E": 0.9}), OPENING)  # one far off moves it little
    assert three[0] == pytest.approx(0.2 * (0.88 * 0.28 / 0.2) ** (3.0 / (3.0 + (0.11 / 0.15) ** 2)))
    few = gravel({"A": 0.26})
    dead = gravel({"A": 0.26, "D": 0.0})
    np.testing.assert_array_equal(held_over_gravel(dead, OPENING), held_over_gravel(few, OPENING))
    assert np.isnan(held_over_gravel(SimpleNamespace(**vars(few) | {"probes": few.probes.head(9)}), OPENING)).all()
    assert np.isnan(held_over_gravel(few, pd.Timestamp("2026-06-25"))).all()
    assert np.isnan(held_over_gravel(gravel({"A": 0.26}, over_gravel=np.zeros(3, bool)), OPENING)).all()
    # however odd the readings: never farther from what is told than sands of greens, and never less than it
    assert held_over_gravel(gravel({"A": 0.9}), OPENING)[0] == pytest.approx(0.2 * np.exp(0.4))
    assert held_over_gravel(gravel({"A": 0.1}), OPENING)[0] == pytest.approx(0.2)


def test_layers_hold_what_was_read_and_give_what_was_told():
    place = gravel({"A": 0.26})
    told, held = site_layers(place), site_layers(place, np.array([0.24, np.nan, np.nan]))
    np.testing.assert_allclose(held.field_capacity - told.field_capacity, [[0.04] * 2, [0.0] * 2, [0.0] * 2])
    np.testing.assert_allclose(held.field_capacity - held.wilting_point, told.field_capacity - told.wilting_point)
    full = site_layers(place, np.array([0.5, 0.2, 0.2]))  # never more than a paste of it, which readings are taken to
    np.testing.assert_array_equal(full.paste, told.paste)
    np.testing.assert_allclose(full.field_capacity[0], told.paste[0] - 0.02)


def test_samples_count_to_the_moment_of_opening_by_zone_and_half():
    rows = [("2026-07-14", "F", 16.0, 2.0), ("2026-07-12", "G", 10.0, 3.0), ("2026-07-13", "G", 10.1, 4.0),
            ("2026-07-15", "G", 5.0, 9.0), ("2026-07-12", "X", 5.0, 9.0), ("2026-07-12", "G", 5.0, 0.0)]  # fmt: skip
    samples = pd.DataFrame(rows, columns=["date", "zone", "depth", "ece"]).assign(
        date=lambda t: pd.to_datetime(t["date"], format="ISO8601")
    )
    found = layer_samples(SimpleNamespace(zones=zones(), samples=samples), OPENING)
    assert found[["z", "layer", "ece"]].to_numpy().tolist() == [[0, 0, 3.0], [0, 1, 4.0], [1, 1, 2.0]]
    assert layer_at(SimpleNamespace(zones=zones()), np.array([0, 1, 1]), np.array([10.0, 15.0, 80.0])).tolist() == [
        0,
        0,
        1,
    ]


def probed(*rows, places=(("A", "G", 5.0, None, None),)):
    """A site with readings (time, probe, ec), at 0.2 m3/m3 and 25 degC."""
    frame = pd.DataFrame(rows, columns=["time", "probe", "ec"]).assign(moisture=0.2, temperature=25.0)
    frame["time"] = pd.to_datetime(frame["time"])
    stood = pd.DataFrame(places, columns=["probe", "zone", "depth", "from", "until"])
    stood = stood.assign(**{c: pd.to_datetime(stood[c]) for c in ("from", "until")})
    return SimpleNamespace(zones=zones(), probes=frame, probe_sites=stood)


def ece_read(ec):
    """ECe of a bulk EC at 0.2 m3/m3 and 25 degC in the sand: Hilhorst (2000) over Topp et al. (1980), by hand."""
    (eps,) = (r.real for r in np.roots((4.3e-6, -5.5e-4, 2.92e-2, -5.3e-2 - 0.2)) if abs(r.imag) < 1e-9)  # Topp, Eq. 7
    above = eps - 4.1  # 6.5082
    to_25 = 0.4470 + 1.4034 * np.exp(-25.0 / 26.815)  # the fit of Corwin & Lesch (2005), 0.9994 at 25 degC
    return ec * to_25 * (80.3 - 0.37 * 5.0) / above * 0.2 / s.PASTE


def test_a_probe_s_reading_tonight_is_the_median_of_its_last_day():
    site = probed(
        ("2026-07-13 12:00", "A", 0.9), ("2026-07-13 12:01", "A", 0.3), ("2026-07-14 06:00", "A", 0.1),
        ("2026-07-14 12:00", "A", 0.2), ("2026-07-14 22:00", "A", 0.8), ("2026-07-14 13:00", "A", NAN),
    )  # fmt: skip
    (row,) = recent_readings(site, OPENING).itertuples()
    assert row.ece == pytest.approx(ece_read(0.2), rel=1e-6) and row.time == pd.Timestamp("2026-07-14 12:00")
    assert (row.z, row.layer) == (0, 0)
    old = probed(("2026-07-11 21:00", "A", 0.2))
    assert not len(recent_readings(old, OPENING)) and len(recent_readings(old, OPENING - timedelta(minutes=1)))


def test_by_day_the_hours_count_in_which_nothing_moves():
    calm = f"{SALT.calm_from:02d}:00"
    last = f"{SALT.calm_until - 1:02d}:59"
    site = probed(
        (f"2026-07-13 {calm}", "A", 0.1),
        (f"2026-07-13 {last}", "A", 0.3),
        (f"2026-07-13 {SALT.calm_until:02d}:00", "A", 0.9),
        (f"2026-07-13 {SALT.calm_from - 1:02d}:59", "A", 0.9),
        ("2026-07-13 01:00", "N", 0.5),
        (f"2026-07-13 {calm}", "N", NAN),  # moisture alone by day: its EC counts with the hours it has
        ("2026-07-12 12:00", "A", 0.4),
        places=(("A", "G", 5.0, None, None), ("N", "F", 20.0, None, None)),
    )
    found = calm_readings(site, pd.Timestamp("2026-07-12 12:00"), OPENING)
    assert found["probe"].tolist() == ["A", "N"] and found["day"].dt.day.tolist() == [13, 13]
    assert found["ece"][0] == pytest.approx(ece_read(0.2), rel=1e-6) and found["layer"].tolist() == [0, 1]


@pytest.mark.parametrize(
    ("begins", "ends", "known"),
    [
        (None, None, 1),
        ("2026-07-14", None, 1),
        ("2026-07-15", None, 0),
        (None, "2026-07-14", 1),
        (None, "2026-07-13", 0),
    ],
)
def test_a_probe_speaks_for_a_zone_while_it_stands_there(begins, ends, known):
    site = probed(("2026-07-14 12:00", "A", 0.2), places=(("A", "G", 5.0, begins, ends),))
    assert len(median_ece(site, site.probes)) == known


def test_a_sample_is_a_pair_with_what_was_read_beside_it_within_a_day():
    def factor(day, depth, ece):
        site = probed(("2026-07-12 12:00", "A", 0.2), places=(("A", "G", 5.0, None, None), ("B", "F", 5.0, None, None)))
        found = pd.DataFrame({"date": pd.to_datetime([day]), "z": [0], "layer": [0], "depth": [depth], "ece": [ece]})
        return probe_factors(site, found, OPENING)

    half = 0.5 * ece_read(0.2)
    # w = t^2 / (t^2 + s^2) of ln 0.5, as in test_samples_outrank_probes_on_their_day
    assert factor("2026-07-12", 5.0, half)["A"][0] == pytest.approx(0.5 ** (0.09 / (0.09 + 0.0625)))
    for day, depth in (("2026-07-13", 5.0), ("2026-07-11", 5.0), ("2026-07-12", 5.0 + SALT.pair_depth)):
        assert factor(day, depth, half)["A"][0] < 0.9
    for day, depth in (("2026-07-14", 5.0), ("2026-07-10", 5.0), ("2026-07-12", 5.1 + SALT.pair_depth)):
        assert factor(day, depth, half)["A"][0] == 1.0
    assert factor("2026-07-12", 5.0, half)["B"][0] == 1.0


# --------------------------------------------------------------------------------------------- the log and the start


def test_the_log_s_minutes_are_depth_of_their_zone_and_night_and_cover_what_lies_between(monkeypatch):
    rows = pd.DataFrame(
        [("2026-07-03", "F", 10.0), ("2026-07-05", "G", 20.0), ("2026-07-05", "G", 5.0), ("2026-07-04", "X", 9.0)],
        columns=["night", "zone", "minutes"],
    ).assign(night=lambda t: pd.to_datetime(t["night"]))
    monkeypatch.setattr("scheduler.salinity.history.runs_before", lambda site, night: rows)
    monkeypatch.setattr("scheduler.salinity.history.minutes_run", lambda site, rows: rows["minutes"].to_numpy())
    depth, logged, notes = _log(SimpleNamespace(zones=zones()), np.array([1, 0]), pd.Series(DATES), date(2026, 7, 12))
    assert np.flatnonzero(logged).tolist() == [2, 3, 4] and notes == []
    assert depth[0].sum() == depth[0, 2] == 2.5 and depth[1].sum() == depth[1, 4] == 5.0  # 10 x 0.25, 25 x 0.2
    rows.loc[1, "night"] = pd.Timestamp("2026-06-20")  # a night before the dates is none of them
    assert _log(SimpleNamespace(zones=zones()), np.array([1, 0]), pd.Series(DATES), None)[0][1].sum() == 1.0  # 5 x 0.2


def test_samples_of_a_day_are_one_geometric_mean_and_a_zone_that_runs_twice_has_them_twice():
    table = pd.DataFrame(
        [
            ("2026-07-05 09:00", 1, 0, 2.0),
            ("2026-07-05", 1, 0, 8.0),
            ("2026-07-02", 1, 1, 3.0),
            ("2026-07-02", 0, 1, 9.0),
        ],
        columns=["date", "z", "layer", "ece"],
    ).assign(date=lambda t: pd.to_datetime(t["date"], format="ISO8601"))
    found = _by_date(table, np.array([1, 7, 1]))
    assert [(d.day, row, layer, round(v, 9)) for d, row, layer, v in found] == [
        (2, 0, 1, 3.0), (2, 2, 1, 3.0), (5, 0, 0, 4.0), (5, 2, 0, 4.0),
    ]  # fmt: skip
    assert _by_date(table.iloc[:0], np.array([1])) == []


def test_the_newest_sample_before_is_the_start_and_its_age_counts():
    layers = equal_layers(np.array([0.2]), np.array([0.2]), np.array([0.05]), np.array([0.4]))
    known = [(DATES[0], 0, 1, 5.0), (DATES[3], 0, 1, 4.0)]
    ece, age = _start(layers, np.array([1.4]), known, DATES[5])
    # FAO-29 ch. 2 at LF 0.15: 1 and 1 / (1 - 0.85 * 0.7) of ECw at the bounds of the upper half, diluted to the paste
    assert ece[0].tolist() == [pytest.approx(1.4 * 0.5 * (1.0 + 1.0 / 0.405) * 0.2 / 0.4), 4.0]
    assert age[0].tolist() == [np.inf, 2.0]


# --------------------------------------------------------------------------------------------------------------- kin


def from_kin(seen, gain, surface=("green",) * 4, soil=("sand",) * 4, ec=(1.4,) * 4):
    site = SimpleNamespace(zones=SimpleNamespace(surface=np.array(surface), soil=np.array(soil)))
    width = np.full((4, 2), 0.25)
    origin = np.array(["probe", "probe", "balance", "balance"], dtype=object)
    return evening._from_kin(
        site, np.arange(4), np.array(ec), np.array(gain, dtype=float), width, origin, np.array(seen, dtype=bool)
    )  # fmt: skip


def test_a_zone_nothing_speaks_for_takes_a_part_of_what_its_kin_are_off_by():
    ratio = (SALT.kin_spread / SALT.unknown_spread) ** 2
    seen = [[1, 1], [1, 0], [0, 0], [0, 0]]
    gain = [[0.4, 0.6], [0.2, 0.0], [0, 0], [0, 0]]
    found, width, origin = from_kin(seen, gain, soil=("sand", "sand", "sand", "clay"))
    np.testing.assert_allclose(found[2], [0.6 / (2 + ratio), 0.6 / (1 + ratio)])
    assert found[3].tolist() == [0.0, 0.0] and found[1].tolist() == [0.2, 0.0]
    known = [np.hypot(SALT.kin_spread, SALT.unknown_spread / np.sqrt(n + 1.0)) for n in (2, 1)]
    np.testing.assert_allclose(width[2], np.minimum(known, SALT.unknown_spread))
    assert width[3].tolist() == [0.25, 0.25] and origin.tolist() == ["probe", "probe", "kin", "balance"]


@pytest.mark.parametrize("kin", [{"surface": ("green", "green", "tee", "tee")}, {"ec": (1.4, 1.4, 0.6, 0.6)}])
def test_zones_of_another_surface_or_water_are_no_kin(kin):
    seen, gain = [[1, 1], [1, 1], [0, 0], [0, 0]], [[0.4, 0.4], [0.4, 0.4], [0, 0], [0, 0]]
    assert not from_kin(seen, gain, **kin)[0][2:].any()
    assert from_kin(seen, gain)[0][2:].all()


def test_only_zones_without_any_sample_and_probe_are_told_as_reckoned():
    notes = []
    site = SimpleNamespace(zones=[0, 1, 2])
    evening._note_origins(site, np.array(["probe", "balance", "kin"], dtype=object), notes)
    assert notes[0].text.startswith("salinity of 1 zone is reckoned") and notes[0].kind == "step_down"
    evening._note_origins(site, np.array(["balance"] * 3, dtype=object), notes)
    evening._note_origins(site, np.array(["probe"], dtype=object), notes)
    assert len(notes) == 2 and notes[1].text.startswith("salinity of all zones is reckoned")


def test_the_past_of_an_evening_is_what_entered_and_left_since_the_balance_began(monkeypatch):
    past = pd.DataFrame({"date": DATES[:3]})
    run = SimpleNamespace(zones=np.array([1]), depth=np.array([[0.0, 4.0, 3.0]]), drainage=np.array([[0.0, 1.0, 0.5]]),
                          dates=DATES[:3])  # fmt: skip
    monkeypatch.setattr(evening, "zone_rain", lambda site, past: (np.array([[9.0, 9.0, 9.0], [5.0, 2.0, 1.0]]), None))
    found = evening._past(SimpleNamespace(zones=[0, 1]), run, past)
    assert found.since == date(2026, 7, 1)
    assert [a.tolist() for a in (found.water, found.rain, found.drained)] == [[0.0, 7.0], [0.0, 3.0], [0.0, 1.5]]


def test_a_depletion_counts_for_salt_up_to_what_its_layers_hold():
    layers = equal_layers(np.array([0.2, 0.2]), np.full(2, 0.2), np.full(2, 0.05), np.full(2, 0.4))
    state = SimpleNamespace(layers=layers, depletion=np.array([12.0, 40.0]))
    assert evening.SaltState.of_roots.fget(state).tolist() == pytest.approx([12.0, 30.0])


# --------------------------------------------------------------------------------------------- what leaching teaches


def test_zones_teach_that_were_read_in_both_halves_on_days_enough_and_have_gravel_nowhere():
    layers = equal_layers(np.full(3, 0.2), np.full(3, 0.2), np.full(3, 0.05), np.full(3, 0.4))
    layers = fed_layers(layers, np.full(3, 0.2), np.array([0.2, 0.2, 0.3]))
    days = SALT.taught_days
    read = np.full((3, 2, days), 1.0)
    assert mixing.taught_rows(layers, Readings(np.array([0, 1, 2]), read, np.ones((3, 2)))).tolist() == [0, 1]
    read[1, 1, 4] = NAN
    assert mixing.taught_rows(layers, Readings(np.array([0, 1, 2]), read, np.ones((3, 2)))).tolist() == [0]


def test_mixing_is_learned_from_the_first_day_read_and_given_to_kin(monkeypatch):
    given = {}

    def fit(layers, record, kin, slow):
        given.update(record=record, kin=kin, slow=slow, depth=layers.depth)
        return np.array([1.3])

    monkeypatch.setattr(mixing, "fit_mixing", fit)
    site = SimpleNamespace(
        zones=SimpleNamespace(
            surface=np.array(["green", "green", "tee"]), soil=np.array(["sand"] * 3), du_lq=np.array([0.9, 0.746, 0.8])
        )
    )
    layers = equal_layers(np.array([0.2, 0.25, 0.3]), np.full(3, 0.2), np.full(3, 0.05), np.full(3, 0.4))
    day = np.arange(5.0)[None]
    run = SimpleNamespace(depletion=day, depth=day + 10, etc=day + 20, rain=day + 30, p=day + 40)
    read = np.full((1, 2, 5), NAN)
    read[0, :, 2:] = np.log([[2.0], [3.0]])
    read[0, 0, 1] = 0.0  # one half alone
    found, note = mixing.learned_layers(
        site, layers, run, np.array([1.0, 1.4, 9.0]), Readings(np.array([1]), read, np.ones((1, 2))), 0.3
    )
    record = given["record"]
    assert record.depletion.tolist() == [1.0] and record.source_ec.tolist() == [1.4] and given["slow"] == 0.3
    assert [a[0].tolist() for a in (record.net_irrigation, record.etc, record.effective_rain, record.p)] == [
        [12.0, 13.0, 14.0], [22.0, 23.0, 24.0], [32.0, 33.0, 34.0], [42.0, 43.0, 44.0],
    ]  # fmt: skip
    np.testing.assert_allclose(record.read[0], [[2.0] * 3, [3.0] * 3])
    np.testing.assert_allclose(record.catch_spread, [0.2])  # the CV of the catch, (1 - DU) / 1.27
    usual = layers.mixing[2]
    assert found.mixing[:2].tolist() == [[1.3] * layers.mixing.shape[1]] * 2 and (found.mixing[2] == usual).all()
    assert "in 1 zone" in note.text


# ------------------------------------------------------------------------------------------------ the season's course


def course(read=(), samples=(), ratio=2.0):
    run = SimpleNamespace(zones=np.array([3]), dates=DATES, ece=np.array([[3.0, 6.0]]),
                          path=np.stack([np.linspace(1.0, 3.0, 12), np.linspace(4.0, 6.0, 12)])[None])  # fmt: skip
    salt = SimpleNamespace(ece=np.array([[NAN, NAN]] * 3 + [[3.0 * ratio, 6.0]]))
    daily = pd.DataFrame(list(read), columns=["z", "layer", "day", "ece"])
    taken = pd.DataFrame(list(samples), columns=["date", "z", "layer", "ece"])
    return report._courses(run, salt, daily, taken)[3]


def test_a_course_without_probes_is_the_balance_drawn_to_where_it_stands_tonight():
    found = course(samples=[(DATES[0] - timedelta(days=1), 3, 0, 9.0), (DATES[0], 3, 1, 4.5), (DATES[2], 8, 0, 1.0)])
    np.testing.assert_allclose(found.ece[[0, -1]], [[2.0, 4.0], [6.0, 6.0]])
    assert found.measured == (False, False) and found.samples == ((DATES[0], 1, 4.5),)


def test_a_course_of_readings_is_their_median_of_five_days_and_bridges_a_week():
    # On the 3rd one probe leaps; of five days the middle one counts. Nothing is read on the 9th and 10th.
    on = [i for i in range(12) if i not in (8, 9)]
    rows = [(3, 1, DATES[i], 9.0 if i == 2 else 2.0 + 0.1 * i) for i in on]
    found = course(rows + [(3, 0, DATES[0], 1.0)])
    assert found.measured == (False, True)
    assert found.ece[2, 1] == pytest.approx(2.3)  # of 2.0, 2.1, 9.0, 2.3, 2.4
    assert np.isfinite(found.ece[:, 1]).all() and 2.7 <= found.ece[8, 1] <= 3.1
    assert course(rows[: report.TREND_LEAST - 1]).measured == (False, False)
    assert course(rows[: report.TREND_LEAST]).measured == (False, True)


def test_readings_of_a_season_are_corrected_and_thinned_only_where_there_are_very_many(monkeypatch):
    times = pd.date_range("2026-07-02", periods=6, freq="6h")
    site = probed(*[(t, "A", 0.2) for t in times], ("2026-07-02 01:00", "A", 0.9), ("2026-06-30", "A", 0.9),
                  ("2026-07-14 21:01", "A", 0.9))  # fmt: skip
    salt = SimpleNamespace(corrections={"A": 2.0})
    found = report._daily_readings(site, salt, OPENING, DATES[0])
    assert found["day"].dt.day.tolist() == [2, 3]
    assert found["ece"].tolist() == pytest.approx([2 * ece_read(0.2)] * 2, rel=1e-6)
    plain = report._daily_readings(site, SimpleNamespace(corrections={}), OPENING, DATES[0])
    assert plain["ece"].tolist() == pytest.approx([ece_read(0.2)] * 2, rel=1e-6)
    seen = []
    monkeypatch.setattr(report, "median_ece", lambda site, rows, by_day: seen.append(len(rows)) or rows.iloc[:0])
    report._daily_readings(site, salt, OPENING, DATES[0])
    monkeypatch.setattr(report, "MANY_READINGS", 6)
    report._daily_readings(site, salt, OPENING, DATES[0])
    report._daily_readings(
        probed(("2026-07-02 01:00", "A", 0.2), *[(t, "A", 0.2) for t in times[:1]] * 7, ("2026-07-02 01:00", "B", 0.2)),
        salt,
        OPENING,
        DATES[0],
    )
    assert seen == [7, 6, 9]  # a probe that never reads at those hours keeps all of them


@pytest.mark.parametrize(
    ("text", "kept"),
    [('{"night": "2026-07-14", "flushes": []}', True), ('{"night": "2026-07-14", "flushes": 3}', False),
     ('{"night": "x", "flushes": []}', False), ('{"flushes": []}', False), ("[]", False), ("", False)],
)  # fmt: skip
def test_what_is_no_plan_is_passed_over(tmp_path, text, kept):
    (tmp_path / "plan.json").write_text(text)
    assert (report._read_plan(tmp_path / "plan.json") is not None) == kept


def test_what_a_source_s_analysis_tells_is_asked_for_with_its_own_ions(monkeypatch):
    asked = []
    monkeypatch.setattr(report, "water_advice", lambda analysis: asked.append(analysis) or ())
    ions = {
        "sar": 3.0,
        "sodium": 1.0,
        "calcium": 2.0,
        "magnesium": 4.0,
        "bicarbonate": 5.0,
        "carbonate": None,
        "chloride": 7.0,
    }
    report._waters(SimpleNamespace(sources=[SimpleNamespace(name="w", ec=1.4, **ions)]))
    (one,) = asked
    assert [getattr(one, n) for n in ("ec", "sar", "sodium", "calcium", "magnesium", "bicarbonate", "chloride")] == [
        1.4, 3.0, 1.0, 2.0, 4.0, 5.0, 7.0,
    ]  # fmt: skip
    assert np.isnan(one.carbonate)


def test_zones_over_gravel_do_not_take_what_their_kin_learned_of_mixing(monkeypatch):
    monkeypatch.setattr(mixing, "fit_mixing", lambda layers, record, kin, slow: np.array([1.3]))
    site = SimpleNamespace(zones=SimpleNamespace(surface=np.array(["green"] * 2), soil=np.array(["sand"] * 2),
                                                 du_lq=np.full(2, 0.8)))  # fmt: skip
    layers = equal_layers(np.full(2, 0.2), np.full(2, 0.2), np.full(2, 0.05), np.full(2, 0.4))
    layers = fed_layers(layers, np.full(2, 0.2), np.array([0.2, 0.3]))
    day = np.arange(5.0)[None]
    run = SimpleNamespace(depletion=day, depth=day, etc=day, rain=day, p=day)
    readings = Readings(np.array([0]), np.zeros((1, 2, 5)), np.ones((1, 2)))
    found, _ = mixing.learned_layers(site, layers, run, np.ones(2), readings, 0.3)
    assert (found.mixing[0] == 1.3).all() and (found.mixing[1] == layers.mixing[1]).all()


def test_an_evening_s_balance_runs_for_salty_zones_and_again_for_those_that_were_read(monkeypatch):
    # Zone 0 has salty water, 1 a sample, 2 a probe that taught, 3 fresh water and nothing.
    calls = []
    layers = equal_layers(np.full(4, 0.2), np.full(4, 0.2), np.full(4, 0.05), np.full(4, 0.4))

    class Run(SimpleNamespace):
        def rows(self, some):
            calls.append(("rows", some))
            return self

    def history(*given):
        calls.append(("history", *given))
        return Run(notes=())

    readings = Readings(np.array([2]), np.zeros((1, 2, 3)), np.ones((1, 2)))
    samples = pd.DataFrame({"z": [1], "date": [pd.Timestamp("2026-07-10")]})
    latest = pd.DataFrame({"z": [2], "time": [pd.Timestamp("2026-07-14 12:00")]})
    demand = SimpleNamespace(past=pd.DataFrame({"date": DATES}))
    for name, found in (
        ("site_layers", layers), ("held_over_gravel", "held"),
        ("usual_source_ec", np.array([1.4, 0.05, 0.0, 0.05])), ("layer_samples", samples),
        ("recent_readings", latest), ("probe_factors", {"A": (1.1, 0.2)}), ("evening_ece", readings),
        ("taught_rows", np.array([0])), ("learned_layers", ("learned", "note")), ("Follower", "follower"),
        ("_joined", (np.full((3, 2), 5.0), np.full(3, 0.5), np.array(["a", "b", "c"], dtype=object))),
        ("_note_origins", None), ("_past", "past"),
    ):  # fmt: skip
        monkeypatch.setattr(evening, name, lambda *given, found=found, name=name: calls.append((name, *given)) or found)
    monkeypatch.setattr(evening, "salt_history", history)
    night = date(2026, 7, 14)
    found = evening.salt_state("site", night, 1260, demand, SimpleNamespace(depletion="depletion", lingers="lingers"))
    by = {name: given for name, *given in calls if name != "history"}
    first, second = (given for name, *given in calls if name == "history")
    assert first[:2] == ["site", layers] and first[3].tolist() == [2] and first[5] is samples and first[6] == night
    assert second[:2] == ["site", "learned"] and second[3].tolist() == [0, 1, 2, 2] and second[7] == "follower"
    assert first[2].tolist() == second[2].tolist() == [1.4, 0.05, 0.0, 0.05] and first[4] is demand.past
    assert by["layer_samples"][1] == by["recent_readings"][1] == OPENING and by["Follower"][0] == "learned"
    assert by["held_over_gravel"] == ["site", OPENING] and by["site_layers"] == ["site", "held"]
    assert [s for name, *(s,) in ((c[0], c[1]) for c in calls if c[0] == "rows")] == [slice(3), slice(3, None)]
    assert found.known.tolist() == [True, True, True, False] and found.origin.tolist() == ["a", "b", "c", ""]
    assert found.notes == ("note",) and found.corrections == {"A": 1.1}
    assert (found.past, found.lingers) == ("past", "lingers")
    assert found.newest_sample == date(2026, 7, 10) and found.newest_reading == latest["time"][0]


@pytest.mark.parametrize(("read", "told"), [(0.2, SALT.least_ece), (1e6, SALT.most_ece), (4.0, 6.0)])
def test_a_corrected_reading_stays_within_what_soil_can_have(monkeypatch, read, told):
    site = SimpleNamespace(zones=zones(du_lq=np.array([1.0, 1.0])))
    latest = pd.DataFrame({"probe": ["A"], "z": [0], "layer": [0], "depth": [5.0], "ece": [read],
                           "time": [pd.Timestamp("2026-07-12 12:00")]})  # fmt: skip
    monkeypatch.setattr(followed, "calm_readings", lambda site, after, opening: latest.iloc[:0].assign(day=pd.NaT))
    layers = site_layers(site)
    factor = 1.5 if read != 0.2 else 0.5 * SALT.least_ece / read
    found = followed.evening_ece(site, layers, DATES, OPENING, latest, {"A": (factor, 0.3)})
    assert np.exp(np.nanmax(found.read)) == pytest.approx(told) and found.zones.tolist() == [0]


def test_a_season_s_report_reads_up_to_the_opening(monkeypatch):
    seen = {}

    class Stop(Exception):
        pass

    def samples(site, opening):
        seen["opening"] = opening
        raise Stop

    for name in ("evening_demand", "starting_state", "salt_state", "net_rates"):
        monkeypatch.setattr(report, name, lambda *given, **more: None)
    monkeypatch.setattr(report, "with_weighed_catch", lambda site, demand: (site, None))
    monkeypatch.setattr(report, "layer_samples", samples)
    site = SimpleNamespace(window=SimpleNamespace(of=lambda night: (1290, 1770)), nights=7)
    with pytest.raises(Stop):
        report.salt_report(site, date(2026, 7, 14))
    assert seen["opening"] == pd.Timestamp("2026-07-14 21:30")


def test_the_best_water_flushes_though_it_cannot_reach_the_aim():
    # Roots at 5 dS/m aimed at 0.3: neither water ends there, and the better one goes as far as it can.
    layers = equal_layers(np.array([0.2]), np.array([0.2]), np.array([0.05]), np.array([0.4]))
    before = state_from_ece(layers, np.zeros(1), np.array([[5.0, 5.0]]))
    depth, reached, staged = flush_drainage(layers, before, np.array([0.3]), np.array([[3.0, 1.4]]), np.array([60.0]))
    assert np.isnan(depth[0, 0]) and depth[0, 1] == pytest.approx(60.0) and staged.tolist() == [True]
    assert 0.7 < reached[0] < 5.0
    depth, reached, staged = flush_drainage(
        layers, before, np.array([4.0]), np.array([[3.0, np.inf]]), np.array([60.0])
    )
    assert 0.0 < depth[0, 0] < 60.0 and np.isnan(depth[0, 1]) and reached[0] == 4.0 and not staged[0]

"""What is offered, asked about and said of a record: values, steps and reasons from a few numbers."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.learning import CHANCE, QUESTION
from scheduler import learn

NAN = np.nan
ZONES = np.array(["G1", "G2", "F1", "F2", "F3", "R1"], dtype=object)
SITE = SimpleNamespace(zones=SimpleNamespace(zone=ZONES))


def learned(values, prior=1.0, events=None):
    count = len(values)
    return SimpleNamespace(
        values=np.array(values), prior=np.full(count, prior), low=np.array(values) - 0.1, high=np.array(values) + 0.1,
        events=np.zeros(count, dtype=int) if events is None else np.array(events),
    )  # fmt: skip


def rows(values, now, holds, quantity="microclimate", events=None):
    table, asked = learn._rows(SITE, quantity, learned(values, events=events), np.array(now), np.array(holds))
    told = [(r.zone, round(r.value, 6), r.through, r.before) for r in table.itertuples()]
    return told, [(r.zone, r.value) for r in asked.itertuples()]


def test_what_holds_and_moved_enough_is_offered_in_steps_and_the_rest_goes_back_to_what_was_told():
    far = 1.0 + QUESTION + 0.01
    values, now = [1.0249, 1.0249, 1.0199, 1.1, far, 0.913], [1.0, 1.0, 1.0, 1.0, 1.2, 1.0]
    offered, asked = rows(values, now, [True, False, True, False, True, True], events=[3, 3, 3, 3, 3, 0])
    assert offered == [("G1", 1.02, "probe", 1.0), ("F3", 1.0, "told", 1.2), ("R1", 0.91, "kin", 1.0)]
    assert asked == [("F3", far)]
    # What is used already is not offered again, what is no longer borne out is offered back.
    offered, asked = rows(values, [1.02, 1.05, 1.0, 1.0, 1.0, 0.914], [True, False, True, False, False, True])
    assert offered == [("G2", 1.0, "told", 1.05)] and asked == []


@pytest.mark.parametrize(
    ("quantity", "what"),
    [("microclimate", "flow, area, nozzle or probe"), ("field_capacity", "the soil told, its depth or the probe")],
)
def test_a_change_past_a_third_is_a_question_of_what_may_be_wrong(quantity, what):
    far = [1.0 + 2 * QUESTION] + [1.0] * 5
    _, asked = learn._rows(SITE, quantity, learned(far), np.ones(6), np.ones(6, dtype=bool))
    assert asked["words"].tolist() == [f"that is too far off to be taken over; is it {what}?"]


def test_no_change_of_a_table_s_value_is_asked_about():
    values = [1.0 + 2 * QUESTION] + [1.0] * 5
    offered, asked = rows(values, [1.0] * 6, [True] * 6, "depletion_fraction")
    assert offered == [("G1", round(round(values[0] / 0.01) * 0.01, 6), "kin", 1.0)] and asked == []


def test_zones_with_two_spots_give_a_hint_of_their_uniformity():
    table = learn._hints(SITE, learned([0.7, 0.6, 0.5, 0.8, 0.9, 0.4], 0.75, [0, 1, 2, 3, 0, 0]))
    assert table[["zone", "value", "told", "before", "events"]].to_numpy().tolist() == [
        ["F1", 0.5, 0.75, 0.75, 2], ["F2", 0.8, 0.75, 0.75, 3],
    ]  # fmt: skip
    assert set(table["quantity"]) == {"du_lq"} and set(table["through"]) == {"probe"}


def known(**given):
    """One surface of two spots whose lesson foretold 10 blocks a fifth better."""
    proof = {"blocks": [10], "better": [0.2], "holds": [False], "chance": [0.5 * CHANCE], "site_chance": 0.5 * CHANCE}
    proof |= {k: v for k, v in given.items() if k in proof}
    return SimpleNamespace(
        names=("greens",),
        record=SimpleNamespace(surface=np.zeros(3, dtype=int)),
        fits=SimpleNamespace(zone=np.array(given.get("zone", [0, 2]), dtype=int),
                             evenings=np.array(given.get("evenings", [9, 9]))),
        proof=SimpleNamespace(surface=np.array([0]), spots=np.array([2]),
                              **{k: np.array(v) if isinstance(v, list) else v for k, v in proof.items()}),
        onset=SimpleNamespace(pairs=np.array(given.get("pairs", [0, 0, 0])), better=np.array([0.1, 0.3, 0.2]),
                              holds=np.array(given.get("dry", [False] * 3))),
    )  # fmt: skip


TRIED = "over 10 forecasts of two weeks at 2 spots it foretold readings"


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"zone": [], "evenings": []}, "nothing learned yet: no probe"),
        ({"evenings": [0, 0]}, f"nothing learned yet: {learn.LEAST_READINGS + learn.WARM_UP + learn.UNTOLD} evenings"),
        ({"blocks": [0], "holds": [True]},
        f"nothing learned yet: {learn.LEAST_READINGS + learn.WARM_UP + learn.UNTOLD}"),
        ({"holds": [True]}, f"learned: {TRIED} 20 % better than the values told"),
        ({"holds": [True], "chance": [CHANCE], "better": [0.01]},
        f"learned with the site's other spots: {TRIED} 1 % better than the values told, and over the site better"),
        ({"holds": [True], "chance": [CHANCE], "better": [0.0099]},
        f"learned with the site's other spots: {TRIED} as well as the values told, and over the site better"),
        ({"better": [0.0099]}, f"nothing learned yet: {TRIED} no better than the values told"),
        ({"better": [0.01]}, f"nothing learned yet: {TRIED} 1 % better than the values told, but over"),
        ({"chance": [CHANCE], "site_chance": CHANCE},
        f"nothing learned yet: {TRIED} 20 % better than the values told, which"),
        ({"chance": [CHANCE]}, f"nothing learned yet: {TRIED} 20 % better than the values told, but over the site"),
        ({"site_chance": CHANCE}, f"nothing learned yet: {TRIED} 20 % better than the values told, but over the site"),
    ],
)  # fmt: skip
def test_what_a_surface_s_probes_taught_is_said(given, text):
    ((name, said),) = learn._reasons(known(**given))
    assert name == "greens" and said.startswith(text)


def test_how_far_turf_may_dry_is_said_by_the_ground_that_shows_it_best():
    one, two = learn._reasons(known(pairs=[5, 2, 1], dry=[True, False, False]))
    assert two == ("greens",
    "may dry farther: in 2 forecasts of two weeks past its dry limit its readings went on "
                   "falling as its turf's demand asked")  # fmt: skip
    _, two = learn._reasons(known(pairs=[5, 0, 1]))
    assert two[1] == (
        "how far it may dry is not learned yet: in 1 forecast of two weeks past its dry limit what was told did as well"
    )
    assert len(learn._reasons(known(pairs=[0, 0, 0], dry=[True] * 3))) == 1


@pytest.mark.parametrize(
    ("quantity", "holds"), [("microclimate", [True, False, False]), ("application_rate", [True, False, False])]
)
def test_a_surface_not_proved_teaches_none_of_its_zones(quantity, holds):
    given = SimpleNamespace(
        proof=SimpleNamespace(surface=np.array([0, 1]), holds=np.array([True, False])),
        record=SimpleNamespace(surface=np.array([0, 1, 2])), onset=SimpleNamespace(holds="dry"),
    )  # fmt: skip
    assert learn._holds(given, quantity).tolist() == holds
    assert learn._holds(given, "depletion_fraction") == "dry"


def test_the_log_begins_within_the_days_there_are():
    days = pd.date_range("2026-07-01", "2026-07-10")

    def first(*nights):
        applied = pd.DataFrame({"night": pd.to_datetime(list(nights))})
        return learn._first_night(SimpleNamespace(applied=applied), pd.Timestamp("2026-07-10").date(), days)

    assert [first("2026-07-04", "2026-07-06"), first("2026-06-01"), first("2026-07-09", "2026-07-10")] == [3, 0, 8]
    assert learn._first_night(SimpleNamespace(applied=pd.DataFrame({"night": pd.to_datetime(["2026-07-12"])})),
                              pd.Timestamp("2026-07-14").date(), days) == 9  # fmt: skip


def test_changes_are_judged_by_what_was_told():
    half = learned([0.52, 0.505, 0.5 * (1 + QUESTION) + 0.01, 0.5, 0.5, 0.5], 0.5)
    table, asked = learn._rows(SITE, "microclimate", half, np.full(6, 0.5), np.ones(6, dtype=bool))
    assert table["value"].round(6).tolist() == [0.52] and asked["zone"].tolist() == ["F1"]
    assert (table["low"][0], table["high"][0], asked["told"][0]) == (pytest.approx(0.42), pytest.approx(0.62), 0.5)


def log(zone, *volumes, minutes=10.0, first="2026-07-01"):
    nights = pd.date_range(first, periods=len(volumes))
    return pd.DataFrame({"night": nights, "zone": zone, "minutes": minutes, "volume": volumes})


def test_a_meter_is_volumes_of_five_nights_that_were_not_reckoned_from_the_flow():
    zones = SimpleNamespace(
        zone=ZONES, area=np.full(6, 1000.0), application_rate=np.full(6, 12.0), flow=np.full(6, 4.0)
    )
    zones = type("Zones", (SimpleNamespace,), {"__len__": lambda self: 6})(**vars(zones))
    told = 2.4  # m3 of ten minutes at 4 L/s; 12 mm/h on 1000 m2 are 2 m3
    rows = [
        log("G1", 2.2, 2.2, 2.2, 2.2, 9.9), log("G2", 2.2, 2.2, 2.2, 2.2), log("F1", *[told] * 5),
        log("F2", *[told * 1.0031] * 5), log("gone", *[2.2] * 9), log("F3", *[2.2] * 5, first="2026-07-10"),
        log("R1", *[2.2] * 5, minutes=0.0), log("G2", 0.0, NAN, 0.0),
    ]  # fmt: skip
    found = learn._metered(SimpleNamespace(zones=zones, applied=pd.concat(rows)), pd.Timestamp("2026-07-14").date())
    np.testing.assert_allclose(found, [np.log(1.1), NAN, NAN, np.log(1.2 * 1.0031), NAN, NAN])


class Zones(SimpleNamespace):
    def __len__(self):
        return len(self.zone)


def recorded(monkeypatch, rows=1, newest="a date", observed=6, days=10, first=3, moisture=None):
    """The record of two zones over some days: each array holds its own day's number, ET from 100, rain from 200 on."""
    dates = pd.date_range("2026-07-01", periods=days)
    number = np.tile(np.arange(float(days)), (2, 1))
    zones = Zones(
        zone=np.array(["G1", "F1"]), surface=np.array(["green", "fairway"]), soil=np.array(["sand", "loam"]),
        exposure=np.array(["sun", "shade"]), taw=np.array([30.0, 40.0]), field_capacity=np.array([0.2, 0.27]),
        fed_depth=np.array([0.2, 0.3]), du_lq=np.array([0.7, 0.8]), gross_rate=np.array([2.0, 3.0]),
        depletion_fraction=np.array([0.5, 0.4]), over_gravel=np.array([True, False]),
    )  # fmt: skip
    site = SimpleNamespace(zones=zones, window=SimpleNamespace(of=lambda night: (1260, 1770)))
    asked = {}

    class Sensors:
        def part(self, heard):
            asked["heard"] = heard.tolist()
            return self

        def for_estimate(self, zones):
            return ("sensors", zones.tolist())

    read = np.tile(np.arange(float(days)), (2, 1)) / 100.0 if moisture is None else moisture
    demand = SimpleNamespace(past=pd.DataFrame({"date": dates}), observed_days=observed)
    monkeypatch.setattr(
        learn, "recent", lambda site, night, opens, back: asked.update(opens=opens, back=back) or [1] * rows
    )
    monkeypatch.setattr(learn, "examine", lambda site, rows: SimpleNamespace(
        flags="flags", notes=[SimpleNamespace(kind="warning"), SimpleNamespace(kind="info")]))  # fmt: skip
    monkeypatch.setattr(learn, "evening_demand", lambda site, night, nights, longest: demand)
    monkeypatch.setattr(learn, "applied_minutes", lambda *given: (number, newest, 0))
    monkeypatch.setattr(learn, "zone_etc", lambda site, past: number + 100)
    monkeypatch.setattr(learn, "zone_rain", lambda site, past: (number + 200, None))
    monkeypatch.setattr(learn, "adjusted_depletion_fraction", lambda fraction, etc: etc + fraction[:, None])
    monkeypatch.setattr(learn, "sensors_of", lambda site: Sensors())
    monkeypatch.setattr(learn, "believed", lambda rows, flags: flags)
    monkeypatch.setattr(learn, "evening_readings", lambda site, sensors, rows, days, etc: read)
    monkeypatch.setattr(learn, "read_together", lambda sensors, moisture, depth: (sensors, moisture))
    monkeypatch.setattr(learn, "_first_night", lambda site, night, days: first)
    monkeypatch.setattr(learn, "Record", lambda *given: SimpleNamespace(given=given))
    notes = []
    record, names = learn._record(site, pd.Timestamp("2026-07-10").date(), notes)
    return record, names, asked, notes


def test_a_date_s_readings_stand_beside_its_et_and_the_water_of_the_night_before_it(monkeypatch):
    record, names, asked, notes = recorded(monkeypatch)
    known, sensors, moisture, applied, etc, rain, p, surface, alike, over_gravel = record.given
    later = np.arange(4.0, 10.0)  # from the date after the log's first night on
    np.testing.assert_allclose(moisture, np.stack([later, later]) / 100.0)
    np.testing.assert_allclose(applied, [2.0 * (later - 1.0), 3.0 * (later - 1.0)])
    np.testing.assert_allclose(etc, np.stack([later, later]) + 100.0)
    np.testing.assert_allclose(rain, np.stack([later, later]) + 200.0)
    np.testing.assert_allclose(p, np.stack([later + 100.5, later + 100.4]))
    assert names == ("green", "fairway") and surface.tolist() == [0, 1] and sensors == ("sensors", [0, 1])
    assert known.taw.tolist() == [30.0, 40.0] and known.du_lq.tolist() == [0.7, 0.8]
    assert over_gravel.tolist() == [True, False]
    assert alike[0] != alike[1] and (asked["opens"], asked["back"]) == (1260, learn.LONGEST_RECORD + 2)
    assert [n.kind for n in notes] == ["warning"]


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ({"rows": 0}, "no probe readings"),
        ({"newest": None}, "no log of applied water"),
        ({"observed": 4}, "too few days"),
        ({"days": 5, "first": 0}, "too few days"),
        ({"first": 9}, "too few readings"),
        ({"moisture": np.full((2, 10), np.nan)}, "too few readings"),
        ({"observed": 5, "days": 6, "first": 0}, None),
    ],
)
def test_too_little_to_learn_from_is_said(monkeypatch, given, why):
    record, said, asked, _ = recorded(monkeypatch, **given)
    assert (record is None) == (why is not None)
    if why:
        assert said[0].startswith(why)
        lesson = learn._nothing(said)
        assert lesson.notes[0].text == said[0] and lesson.table.empty and lesson.reasons == ()


def test_a_sensor_that_never_read_is_none(monkeypatch):
    moisture = np.full((2, 10), np.nan)
    moisture[1, 6] = 0.2
    record, _, asked, _ = recorded(monkeypatch, moisture=moisture)
    assert asked["heard"] == [False, True] and record.given[2].shape == (1, 6)
    moisture[1, 6], moisture[0, 3] = np.nan, 0.2  # read only on the date of the log's first night
    assert recorded(monkeypatch, moisture=moisture)[0] is None

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
        ({"better": [0.0049]}, f"nothing learned yet: {TRIED} no better than the values told"),
        ({"better": [0.005]}, f"nothing learned yet: {TRIED} 0 % better than the values told, but over"),
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

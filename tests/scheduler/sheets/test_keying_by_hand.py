"""What a person keys in, controller by controller: rows, boxes and words from a few stations."""

from datetime import date, datetime
from types import SimpleNamespace

import pytest

from scheduler.sheets import keying, keying_programmes


def at(hour, minute=0):
    return datetime(2026, 7, 14, hour, minute)


def zone(name, station="", minutes=0.0, cycles=(), finish_by=None, called="", soak=0.0):
    return SimpleNamespace(
        id=name, station=station, name=called, minutes=minutes, finish_by=finish_by,
        limits=SimpleNamespace(soak_min=soak),
        cycles=tuple(SimpleNamespace(start=a, end=b, minutes=m) for a, b, m in cycles),
    )  # fmt: skip


def test_stations_stand_in_their_order_with_their_starts():
    zones = [
        zone("G10", "10", 5.0, [(at(21), at(21, 5), 5.0)]), zone("G2", "2", called="second"),
        zone("G3", "", 7.5, [(at(22), at(22, 4), 4.0), (at(23), at(23, 4), 3.5)], at(23, 3), "third"),
    ]  # fmt: skip
    found = keying._stations("box", zones, "metric")
    assert (found["title"], found["running"], found["total"]) == ("box", 2, "12 min 30 s")
    assert [(r["station"], r["name"], r["on"], r["time"]) for r in found["rows"]] == [
        ("2", "second", False, "off"), ("10", "G10", True, "5 min"), ("G3", "third", True, "7 min 30 s"),
    ]  # fmt: skip
    assert found["rows"][2]["cycles"] == ["22:00 for 4 min", "23:00 for 3 min 30 s"]
    assert keying._stations("", zones, "metric")["title"] == "No controller named"


@pytest.mark.parametrize(
    ("wanted", "runs", "words"),
    [(None, True, ""), (at(23), False, ""), (at(23), True, "runs past 23:00, when it should be done"),
     (at(23, 4), True, "done by 23:04")],
)  # fmt: skip
def test_a_row_says_whether_it_is_done_in_time(wanted, runs, words):
    cycles = [(at(22), at(22, 9), 9.0), (at(23), at(23, 4), 4.0)] if runs else []
    assert keying._row(zone("G", "1", 13.0 * runs, cycles, wanted), "metric")["done_by"] == words


NINE = (at(21),)  # of the evening
ZONES = {z.id: z for z in (zone("G1", "A2", called="one"), zone("G2", "A10"), zone("G3", ""))}


def station(name, minutes, before=None):
    return SimpleNamespace(zone=name, minutes=minutes, before_minutes=before)


def programme(*stations, starts=NINE, before=None, percent=100.0, before_percent=None, out=(), length=20.0):
    return SimpleNamespace(
        number=3, stations=stations, starts=starts, before_starts=before, percent=percent,
        before_percent=before_percent,
        taken_out=out, length_min=length,
    )  # fmt: skip


def shown(part, known=True):
    return keying_programmes._programme(part, ZONES, "metric", known)


def test_only_what_changes_is_to_be_keyed():
    found = shown(
        programme(station("G3", 4.0, 4.0), station("G2", 5.0, 0.0), station("G1", 0.0, 6.0), out=("gone", "G3"))
    )
    assert [(r["station"], r["name"], r["time"], r["was"]) for r in found["changed"]] == [
        ("A2", "one", "off", "was 6 min"), ("A10", "G2", "5 min", "was off"),
        ("G3", "G3", "off", "taken out of this programme"), ("gone", "gone", "off", "taken out of this programme"),
    ]  # fmt: skip
    assert [(r["station"], r["time"], r["was"]) for r in found["stays"]] == [("G3", "4 min", "was 4 min")]
    assert (found["title"], found["rests"], found["runs"]) == ("Programme 3", False, "runs 20 min from its start")
    whole = shown(programme(station("G1", 5.0), station("G2", 4.0, 4.0), starts=()), known=False)
    assert [r["was"] for r in whole["changed"] + whole["stays"]] == ["", ""] and whole["rests"] and whole["runs"] == ""
    assert whole["percent_unknown"] and not found["percent_unknown"]  # what stands in it is looked at once


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, ("100 %", "", "")), ({"percent": 80.0}, ("80 %", "was 100 %", "it runs 80 % of them.")),
        ({"percent": 80.0, "before_percent": 80.0}, ("80 %", "", "it runs 80 % of them.")),
        ({"before_percent": 90.0}, ("100 %", "was 90 %", "")),
    ],
)  # fmt: skip
def test_a_percent_is_told_where_it_changes_and_what_minutes_it_is_of(given, told):
    found = shown(programme(station("G1", 5.0, 4.0), starts=(at(21), at(23)), **given))
    assert (
        (found["percent"], found["percent_was"]) == told[:2]
        and found["at"].endswith(told[2])
        and bool(found["at"]) == bool(told[2])
    )
    at_ = "" if found["percent"] == "100 %" else f" at {found['percent']}"
    assert found["runs"] == f"runs 20 min{at_} from each start"
    assert shown(programme(station("G1", 4.0, 4.0), percent=80.0))["at"] == ""  # nothing is keyed in


def test_starts_carry_a_box_where_they_are_new_other_or_to_be_deleted():
    found = keying_programmes._starts(programme(starts=(at(21), at(23), at(23, 30)), before=(at(21), at(22))), "metric")
    assert [(s["label"], s["time"], s["was"], s["box"]) for s in found] == [
        ("Start 1", "21:00", "", ""), ("Start 2", "23:00", "was 22:00", "yes"), ("Start 3", "23:30", "", "yes"),
    ]  # fmt: skip
    found = keying_programmes._starts(programme(starts=(), before=(at(21), at(22))), "metric")
    assert [(s["label"], s["time"], s["was"], s["box"]) for s in found] == [
        ("Start 1", "delete", "was 21:00", "yes"), ("Start 2", "delete", "was 22:00", "yes"),
    ]  # fmt: skip
    assert keying_programmes._starts(programme(), "metric")[0]["box"] == "yes"  # nothing is known of before


@pytest.mark.parametrize(
    ("since", "entries", "some", "words"),
    [
        (date(2026, 7, 13), 1, True,
        "1 value to key in tonight, with a box. All else stays as it is since the night of Monday 13"),
        (date(2026, 7, 13), 2, True, "2 values to key in tonight, each with a box. All else"),
        (date(2026, 7, 13), 0, True, "Nothing to key in: all stays as it is since the night of Monday 13 July 2026."),
        (None, 2, True, "2 values to key in tonight, each with a box: no plan of an evening before tells"),
        (date(2026, 7, 13), 2, False, "Nothing has run by a programme yet, and nothing runs tonight."),
    ],
)  # fmt: skip
def test_how_much_there_is_to_key_in(since, entries, some, words):
    part = SimpleNamespace(since=since, entries=entries, name="box", programmes=(programme(),) if some else ())
    found = keying_programmes.programme_group(part, ZONES, "metric")
    assert found["words"].startswith(words) and found["title"] == "box" and len(found["programmes"]) == some


def test_a_controller_of_its_own_is_told_minutes_and_cycles():
    zones = [
        zone("G10", "10", 5.0, [(at(21), at(21, 5), 5.0)]), zone("G2", "2", called="second"),
        zone("G3", "", 8.0, [(at(22), at(22, 4), 4.0), (at(23), at(23, 4), 4.0)], soak=30.0),
        zone("G4", "", 8.0, [(at(22), at(22, 4), 4.0), (at(23), at(23, 4), 4.0)]),
    ]  # fmt: skip
    part = SimpleNamespace(name="own", opens=at(21), done_by=at(23, 30), at_once=2)
    found = keying_programmes.own_times_group(part, zones, "metric")
    assert "let it begin at 21:00, 2 stations at once" in found["words"] and "done by 23:30." in found["words"]
    assert [(r["station"], r["name"], r["on"], r["time"], r["cycles"]) for r in found["rows"]] == [
        ("2", "second", False, "off", ""), ("10", "G10", True, "5 min", ""),
        ("G3", "G3", True, "4 min", "2 cycles of 4 min, 30 min or more between them"),
        ("G4", "G4", True, "4 min", "2 cycles of 4 min"),
    ]  # fmt: skip
    for change in ({"opens": None}, {"done_by": None}):
        rests = SimpleNamespace(**(vars(part) | change))
        assert "Nothing runs tonight" in keying_programmes.own_times_group(rests, zones, "metric")["words"]


@pytest.mark.parametrize(
    ("given", "effect"),
    [
        ({}, "no zone is more than 0.4 mm off its plan (most: one); 2.0 m³ less water; all limits hold"),
        ({"volume_m3": 0.06},
        "no zone is more than 0.4 mm off its plan (most: one); 0.1 m³ more water; all limits hold"),
        ({"volume_m3": 0.05}, "no zone is more than 0.4 mm off its plan (most: one); all limits hold"),
        ({"most_off_mm": 0.0}, "no zone is off; 2.0 m³ less water; all limits hold"),
    ],
)  # fmt: skip
def test_one_percent_in_place_of_many_minutes(given, effect):
    def held(controller, number):
        return SimpleNamespace(controller=controller, number=number)

    plain = {"programmes": (held("box", 1), held("box", 2), held("hut", 1)), "percent": 92.0, "most_off_mm": 0.4,
             "most_off_zone": "G1", "volume_m3": -2.0, "entries": 3, "instead_of": 14}  # fmt: skip
    one = SimpleNamespace(**(plain | given))
    (found,) = keying_programmes.percent_choices(
        SimpleNamespace(zones=ZONES.values(), percents=(one,), site=SimpleNamespace(units="metric"))
    )
    assert found["deed"] == (
        "set programmes 1 and 2 of box and programme 1 of hut to 92 % and leave their minutes as they stand"
    )
    assert (found["instead"], found["effect"]) == ("3 values to key in place of 14", effect)
    assert found["tell"] == ['--percent "box/1=92"', '--percent "box/2=92"', '--percent "hut/1=92"']
    one.programmes = one.programmes[:1]
    assert "to 92 % and leave its minutes" in keying_programmes._choice(one, ZONES, "metric")["deed"]

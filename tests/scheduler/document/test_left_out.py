"""A night too full: what found no place, and with what less the plan was made again, in words."""

from types import SimpleNamespace

import numpy as np

from scheduler.document.left_out import left_out_warnings


def named(*names):
    return [SimpleNamespace(name=n) for n in names]


def said(
    left_out=(0, 0, 0), minutes=(60, 30, 0), held=(np.inf,) * 3, pump=(1.0,), branch=(1.0,), station=(1.0,), **moved
):
    zones = SimpleNamespace(zone=np.array(["A", "B", "C"], dtype=object))
    site = SimpleNamespace(zones=zones, pumps=named("north", "south"), branches=named("loop"), controllers=named("box"))
    measured = {"pump": np.array(pump), "branch": np.array(branch), "station": np.array(station)}
    arrays = {"left_out": np.array(left_out, float), "minutes": np.array(minutes, float), "held": np.array(held, float)}
    arrays |= {name: np.array(moved.get(name, (False,) * 3)) for name in ("waits", "lifted")}
    found = left_out_warnings(site, SimpleNamespace(measured=measured, **arrays))
    return [w["text"] if isinstance(w, dict) else w.text for w in found]


def test_a_night_that_fits_says_nothing():
    assert said() == []


def test_runs_moved_for_being_too_short_are_counted_and_named():
    (text,) = said(waits=(True, False, True), lifted=(False, True, False))
    assert text == (
        "2 runs too short to be worth making left for a later night: A, C; 1 run raised to the smallest worth making: B"
    )


def test_what_found_no_place_is_named_the_most_first_with_its_share():
    (text,) = said(left_out=(2, 0, 8))  # 10 of 100 minutes
    begins = "no place in the window for part of 2 runs, 10.0 % of the minutes planned: 8 min of C, 2 min of A"
    assert text.startswith(begins)


def test_a_capacity_that_start_times_were_not_found_for():
    (text,) = said(pump=(1.0, 0.93), station=(0.8,))
    assert "93 % of what was planned on pump south" in text
    assert "80 % of what was planned on controller box" in text
    assert "north" not in text


def test_zones_held_to_what_their_cycles_leave_room_for():
    (text,) = said(held=(np.inf, 24, np.inf))
    assert text.startswith("1 zone finds start times for no more, with its cycles and soaks")
    assert text.endswith("24 min for B")


def test_a_long_list_is_cut():
    from scheduler.document.left_out import _first

    assert _first([str(i) for i in range(10)]) == "0, 1, 2, 3, 4, 5, 6, 7 and 2 more"

"""From minutes to a night that can run.

The linear program leaves a run time per zone; this folder turns the run times into starts and stops that a controller
and a pump station can carry out. Arrays in, arrays out; in the order of use::

    rounding.py   round_minutes      run times in whole controller steps, never beyond a shared limit
    cycles.py     split_into_cycles  cycle and soak where the sprinkler outruns the soil, finer where there is time
    job.py        NightJob           everything the packer must respect, checked once
    timetable.py  Timetable          what it made: starts, stops, flow, what did not fit
    bounds.py     lower_bounds       the least time any timetable needs, proven per pump, branch, controller and zone
    patterns.py   pattern_bound      a stronger bound for small sites: which zones can run together at all
    board.py      Board              the night as a grid: what is still free, and where a cycle may start
    dispatch.py   Dispatcher         a fuller way to fill a night: moment by moment, with what uses up the capacity left
    putting_back.py PuttingBack      part of a night taken off and put back in another order, in many quick rounds
    relay.py      relay              part of a night laid anew by a constraint program, every cycle whole
    wishes.py     costs_of           what a timetable is wished to do, and what it costs not to
    whole.py      WholeRuns          a timetable of whole cycles: filled, then part after part laid anew
    parts.py      place_evenly       a cycle that found no place whole, in parts
    cutting.py    searched           the night searched for a timetable with cuts, the last resort
    repair.py     Repair             parts of such a night cleared and filled again
    giving_way.py GivingWay          what finds no place is of the ranks served last, never for want of their place
    steady.py     Steadier           runs moved so that a pump stays above its smallest flow
    programmes.py Programme          what a controller holds in place of start times; its rules
    grouping.py   groupings         which stations share a programme
    blocks.py     Laying            programmes as blocks on the night: one way to lay them
    laying.py     lay_programmes    start times of programmes, which then stand before the others are packed
    playback.py   play_programmes   a controller's night as it would run, written apart
    percent.py    percent_choice    a seasonal percent in place of many minutes, and whether the night still holds
    any_order.py  share_any_order   controllers that find their own start times: what holds in every order
    packing.py    pack_night         start times for every cycle: the list of these steps
    outcome.py    timetable_of       the timetable of a filled board, and what a plan made again may count on
    simulate.py   check_timetable    the timetable played back by its events, written apart from the packer
                  play_night         flow and head by the minute, energy by tariff block, largest change of flow
                  low_flows          when a pump runs below its smallest flow, and which zones then run

Times are minutes after 00:00 of the evening's date, so 1500 is 01:00 the next morning.
"""

from models.night.bounds import usable_share
from models.night.cycles import (
    Cycles,
    Gentle,
    longest_cycle,
    longest_in_hours,
    soak_minutes,
    split_into_cycles,
    surface_storage,
)
from models.night.job import NightJob, planning_resolution
from models.night.packing import pack_night
from models.night.patterns import pattern_prices
from models.night.rounding import RoundedMinutes, round_minutes
from models.night.simulate import LowFlow, PlayedNight, Violation, check_timetable, low_flows, play_night
from models.night.timetable import Timetable

__all__ = [
    "Cycles",
    "Gentle",
    "LowFlow",
    "NightJob",
    "PlayedNight",
    "RoundedMinutes",
    "Timetable",
    "Violation",
    "check_timetable",
    "longest_cycle",
    "longest_in_hours",
    "low_flows",
    "pack_night",
    "pattern_prices",
    "planning_resolution",
    "play_night",
    "round_minutes",
    "soak_minutes",
    "split_into_cycles",
    "surface_storage",
    "usable_share",
]

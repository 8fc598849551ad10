"""Controllers that hold programmes, and those that find their own start times: what their keys come to.

====================  ==========================================================================================
programmes            none: the controller takes start times station by station
starts_each           1;  at_once 1;  programmes_at_once 1;  station_delay 0 s;  order as_listed
steady_within         1 mm where programmes or run_time_only says that a person keys it in, else 0: every change is made
run_time_only         no; with it `stations_at_once` is needed: nothing else says how many stations it opens
====================  ==========================================================================================
"""

from __future__ import annotations

from collections.abc import Callable
from math import gcd
from typing import Any

from models.choices import STEADY
from models.night.job import FINEST_GRID_S
from scheduler.site import schema
from scheduler.site.records import Controller

OF_PROGRAMMES = ("starts_each", "at_once", "programmes_at_once", "station_delay", "order")


def settle_controller(
    keys: schema.ControllerKeys, i: int, problem: Callable[[tuple[Any, ...], str], None]
) -> Controller:
    """Read one controller.

    Parameters
    ----------
    keys : ControllerKeys
    i : int              Its place in the file, from 0.
    problem : callable   Told the path of a key and what is wrong with it.
    """
    if keys.programmes is not None and keys.run_time_only:
        words = "programmes is given too; a controller holds programmes or finds its own start times, one of the two"
        problem(("controller", i, "run_time_only"), words)
    if keys.programmes is None:
        for name in OF_PROGRAMMES:
            if getattr(keys, name) is not None:
                words = "programmes is not given; this key is only for a controller that holds programmes"
                problem(("controller", i, name), words)
    if keys.run_time_only and keys.stations_at_once is None:
        words = "this key is missing; a controller that finds its own start times is checked by it"
        problem(("controller", i, "stations_at_once"), words)
    if keys.at_once is not None and keys.stations_at_once is not None and keys.at_once > keys.stations_at_once:
        words = f'read "{keys.at_once}"; stations_at_once, {keys.stations_at_once}, or less is allowed'
        problem(("controller", i, "at_once"), words)
    delay = keys.station_delay or 0.0
    if abs(delay - round(delay)) > 1e-9 or (delay and gcd(round(delay), 60) < FINEST_GRID_S):
        words = f'read "{delay:g} s"; whole seconds that share a step of 6 s or more with a minute are allowed, as 15'
        problem(("controller", i, "station_delay"), words)
    keyed = keys.programmes is not None or keys.run_time_only  # a person keys it in
    return Controller(
        name=keys.name,
        stations_at_once=keys.stations_at_once,
        resolution=keys.resolution,
        profile=keys.profile or "",
        programmes=keys.programmes or 0,
        starts_each=keys.starts_each or 1,
        at_once=keys.at_once or 1,
        programmes_at_once=keys.programmes_at_once or 1,
        station_delay=delay,
        listed=keys.order != "free",
        run_time_only=keys.run_time_only,
        steady_within=STEADY.within * keyed if keys.steady_within is None else keys.steady_within,
    )

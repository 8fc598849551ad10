"""A plain controller, written apart from the product: it knows programmes.csv and its own few settings, and a clock.

It ticks every three seconds, or every second where steps are not whole threes. At each tick a start time that has come
queues its programme; a programme that runs opens its next station when one of its places is free (and its pause is
over), and shuts a station when its time is up. What it opens and shuts is all it tells: who was on at each tick.
Nothing of the product is imported.
"""

from __future__ import annotations

import csv
import math
import tomllib
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

TICK = 3  # [s] divides most pauses and steps
DAY = 24 * 3600  # [s]


@dataclass
class Keyed:
    """One programme as a person keys it: stations in order with seconds, start times as seconds after noon."""

    stations: list[tuple[str, int]] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)


@dataclass
class _Turn:
    programme: str
    waiting: list[tuple[str, int]]
    free_from: list[int]
    on: list[tuple[str, int]] = field(default_factory=list)
    last_opened: int = -(10**9)


def keyed_in(table: Path, site: dict[str, Any]) -> dict[str, dict[str, Keyed]]:
    """What programmes.csv puts into each controller: by its name, then the programme's number."""
    steps = {c["name"]: float(c.get("resolution", 60)) for c in site["controller"]}
    found: dict[str, dict[str, Keyed]] = defaultdict(dict)
    with table.open(newline="", encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            if not row["programme"]:
                continue
            programme = found[row["controller"]].setdefault(row["programme"], Keyed())
            step = steps[row["controller"]]
            seconds = math.floor(float(row["minutes"]) * 60 * float(row["percent"]) / 100 / step + 0.5 + 1e-9) * step
            assert int(row["order"]) == len(programme.stations) + 1
            programme.stations.append((row["zone"], round(seconds)))
            programme.starts = [_second(clock) for clock in row["starts"].split()]
    return found


def tick_of(controller: dict[str, Any]) -> int:
    """A tick that divides the steps and pauses of a controller [s]."""
    return math.gcd(TICK, int(controller.get("resolution", 60)), int(controller.get("station_delay", 0)))


def _second(clock: str) -> int:
    hour, minute = (int(part) for part in clock.split(":"))
    return ((hour - 12) % 24 * 60 + minute) * 60


def play(controller: dict[str, Any], held: dict[str, Keyed]) -> tuple[list[set[str]], int]:
    """Zones on at each tick from noon to noon, and how many starts had to wait."""
    tick = tick_of(controller)
    at_once, together = controller.get("at_once", 1), controller.get("programmes_at_once", 1)
    pause = int(controller.get("station_delay", 0)) // tick
    on: list[set[str]] = []
    queue: list[tuple[str, int]] = []
    turns: list[_Turn] = []
    waited = 0
    for now in range(DAY // tick):
        for turn in turns:
            for station, until in list(turn.on):
                if until <= now:
                    turn.on.remove((station, until))
                    turn.free_from.append(until + pause)
        turns = [t for t in turns if t.on or t.waiting]
        queue += [(number, now) for number, p in sorted(held.items()) for start in p.starts if start == now * tick]
        while queue and len(turns) < together:
            number, came = queue.pop(0)
            waited += came < now
            stations = [s for s in held[number].stations if s[1] > 0]
            turns.append(_Turn(number, stations, [now] * at_once))
        for turn in turns:
            while turn.waiting and turn.free_from and max(min(turn.free_from), turn.last_opened + pause) <= now:
                turn.free_from.remove(min(turn.free_from))
                station, seconds = turn.waiting.pop(0)
                turn.on.append((station, now + seconds // tick))
                turn.last_opened = now
        on.append({station for turn in turns for station, _ in turn.on})
    return on, waited


def ticks_of_plan(plan: dict[str, Any], zones: set[str], step: int = TICK) -> list[set[str]]:
    """Zones on at each tick from noon to noon by the cycles of plan.json."""
    on: list[set[str]] = [set() for _ in range(DAY // step)]
    for zone in plan["zones"]:
        for cycle in zone["cycles"] if zone["id"] in zones else ():
            begin, end = _seconds(cycle["start"]), _seconds(cycle["end"])
            for tick in range(begin // step, end // step):
                on[tick].add(zone["id"])
    return on


def _seconds(moment: str) -> int:
    hour, minute, second = (int(part) for part in moment[11:19].split(":"))
    return (hour - 12) % 24 * 3600 + minute * 60 + second


def player_faults(folder: Path, out: Path, plan: dict[str, Any]) -> list[str]:
    """Play every controller as keyed by programmes.csv; what differs from plan.json or cannot be held."""
    site = tomllib.loads((folder / "site.toml").read_text(encoding="utf-8"))
    held = keyed_in(out / "programmes.csv", site) if (out / "programmes.csv").is_file() else {}
    faults = []
    for controller in site.get("controller", []):
        name = controller["name"]
        if "programmes" not in controller:
            continue
        own = held.get(name, {})
        on, waited = play(controller, own)
        zones = {z["id"] for z in plan["zones"] if z["controller"] == name}
        tick = tick_of(controller)
        told = ticks_of_plan(plan, zones, tick)
        if len(own) > controller["programmes"]:
            faults.append(f"{name}: {len(own)} programmes keyed, {controller['programmes']} held")
        if any(len(p.starts) > controller.get("starts_each", 1) for p in own.values()):
            faults.append(f"{name}: more start times than it holds")
        if waited:
            faults.append(f"{name}: {waited} starts had to wait")
        if len({z for p in own.values() for z, _ in p.stations}) < sum(len(p.stations) for p in own.values()):
            faults.append(f"{name}: a station in two programmes")
        wrong = [t for t in range(len(on)) if on[t] != told[t]]
        if wrong:
            t = wrong[0]
            at = f"first at {t * tick / 60:g} min after noon"
            faults.append(f"{name}: {len(wrong)} ticks differ, {at}: {on[t]} and {told[t]}")
        most = controller.get("stations_at_once", 10**9)
        if max((len(now) for now in on), default=0) > most:
            faults.append(f"{name}: more than {most} stations at once")
    return faults


def play_any_order(
    order: Sequence[int], cycles: Sequence[int], each: Sequence[float], soak: Sequence[float], at_once: int
) -> list[tuple[int, float, float]]:
    """One night of a controller that finds its own start times.

    Whenever a place is free, the first station of `order` that may run opens.

    Returns
    -------
    list of (zone, start, end)   Counted from the beginning [min], in order of start.
    """
    left = {z: int(cycles[z]) for z in order if cycles[z] > 0}
    ready = dict.fromkeys(left, 0.0)
    closes: list[float] = []
    runs: list[tuple[int, float, float]] = []
    clock = 0.0
    while left:
        closes = [t for t in closes if t > clock + 1e-9]
        for zone in order:
            if len(closes) < at_once and left.get(zone, 0) and ready[zone] <= clock + 1e-9:
                end = clock + float(each[zone])
                runs.append((zone, clock, end))
                closes.append(end)
                ready[zone] = end + float(soak[zone])
                left[zone] -= 1
                if not left[zone]:
                    del left[zone]
        later = [t for t in (*closes, *(ready[z] for z in left)) if t > clock + 1e-9]
        clock = min(later, default=clock)
    return runs

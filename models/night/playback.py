"""Programmes played back as their controller would run them, written apart from what laid them.

A clock goes from event to event: start times come, valves open and close. Nothing of `laying.py` is used, and nothing
is known of limits: what runs when is all that comes out, and the check of the timetable looks at it like at any other.
"""

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from models.night.job import FloatArray, IntArray
from models.night.programmes import Programme, ProgrammeRules
from models.night.simulate import TIME_TOLERANCE, Violation
from models.night.timetable import Timetable

LEAST = 1e-9  # [min] shorter runs are none


@dataclass(frozen=True)
class PlayedRun:
    """One station that ran: zone, start and end [min], the programme's number and which of its starts it was."""

    zone: int
    start: float
    end: float
    programme: int
    start_number: int


@dataclass(frozen=True)
class PlayedProgrammes:
    """What a controller did.

    Attributes
    ----------
    runs : tuple of PlayedRun    In order of start.
    waited : tuple of (programme, start number, minutes)   Starts that had to wait for another programme [min].
    """

    runs: tuple[PlayedRun, ...]
    waited: tuple[tuple[int, int, float], ...]


@dataclass
class _Running:
    """A programme that runs: what is still to open, when each open valve closes, and from when a place is free."""

    programme: int
    start_number: int
    to_open: list[tuple[int, float]]
    places: list[float]
    closes: list[float] = field(default_factory=list)
    not_before: float = -float("inf")

    @property
    def next_opening(self) -> float:
        """When its next station may open [min]; inf while there is none, or no place for it."""
        return max(min(self.places), self.not_before) if self.to_open and self.places else float("inf")


def keyed_minutes(minutes: float, percent: float, step: float) -> float:
    """Minutes a station runs at a seasonal percent, to the nearest step of the controller [min].

    >>> keyed_minutes(10.0, 108.0, 1.0), keyed_minutes(7.0, 92.0, 0.5)
    (11.0, 6.5)
    """
    return float(minutes_at(np.array(minutes), np.array(percent), step))


def minutes_at(minutes: FloatArray, percents: FloatArray | IntArray, step: float) -> FloatArray:
    """The same of many stations or percents, of any shapes that go together [min]."""
    return np.asarray(np.rint(minutes * percents / 100.0 / step + 1e-9) * step, dtype=np.float64)


def play_programmes(rules: ProgrammeRules, programmes: Sequence[Programme], step: float) -> PlayedProgrammes:
    """Play one controller's night.

    Parameters
    ----------
    rules : ProgrammeRules
    programmes : sequence of Programme   Those of the controller.
    step : float                         Step of its run times [min].
    """
    due = [(start, p.number, k) for p in programmes for k, start in enumerate(p.starts)]
    heapq.heapify(due)
    stations = {p.number: _stations(rules, p, step) for p in programmes}
    runs: list[PlayedRun] = []
    waited: list[tuple[int, int, float]] = []
    waiting: list[tuple[float, int, int]] = []
    running: list[_Running] = []
    clock = due[0][0] if due else 0.0
    while due or waiting or running:
        while due and due[0][0] <= clock + LEAST:
            waiting.append(heapq.heappop(due))
        _close(running, rules, clock)
        while waiting and len(running) < rules.programmes_at_once:
            came, number, k = waiting.pop(0)
            if clock > came + LEAST:
                waited.append((number, k, clock - came))
            if stations[number]:
                running.append(_Running(number, k, list(stations[number]), [clock] * rules.at_once))
        for one in running:
            runs += _open(one, rules, clock)
        clock = min(
            [t for t, _, _ in due[:1]]
            + [t for one in running for t in one.closes]
            + [one.next_opening for one in running if one.next_opening < float("inf")],
            default=clock,
        )
    return PlayedProgrammes(tuple(sorted(runs, key=lambda r: (r.start, r.zone))), tuple(waited))


def check_programmes(
    rules: ProgrammeRules, programmes: Sequence[Programme], step: float, table: Timetable, controller: IntArray
) -> tuple[Violation, ...]:
    """Check that one controller can hold its programmes, and that they come to the timetable when played.

    Parameters
    ----------
    rules : ProgrammeRules
    programmes : sequence of Programme   Those of the controller that start tonight, and those that rest.
    step : float                         Step of its run times [min].
    table : Timetable                    The night.
    controller : ndarray of int, (Z,)    Of each zone.
    """
    index, found = rules.controller, []
    numbers = [p.number for p in programmes]
    stations = [z for p in programmes for z in p.zones]
    if len(set(numbers)) < len(numbers) or not all(1 <= n <= rules.programmes for n in numbers):
        found.append(Violation("programmes", index, np.nan, f"numbers {numbers}, {rules.programmes} are held"))
    if len(set(stations)) < len(stations):
        found.append(Violation("programmes", index, np.nan, "a station stands in two programmes"))
    for p in programmes:
        if len(p.starts) > rules.starts_each:
            text = f"programme {p.number} has {len(p.starts)} start times, {rules.starts_each} are held"
            found.append(Violation("programmes", index, p.starts[0], text))
        for start in p.starts:
            if abs(start - round(start)) > TIME_TOLERANCE:
                found.append(Violation("programmes", index, start, f"programme {p.number} starts between two minutes"))
    played = play_programmes(rules, programmes, step)
    for number, _, minutes in played.waited:
        text = f"programme {number} waits {minutes:g} min for another to end"
        found.append(Violation("programmes", index, np.nan, text))
    own = controller[table.zone] == index
    runs = sorted((r.zone, r.start, r.end) for r in played.runs)
    told = sorted(zip(table.zone[own].tolist(), table.start[own].tolist(), table.end[own].tolist(), strict=True))
    if len(runs) != len(told):
        found.append(Violation("programmes", index, np.nan, f"{len(runs)} runs played, {len(told)} in the timetable"))
    for (zone, start, end), (other, begins, ends) in zip(runs, told, strict=False):
        if zone != other or abs(start - begins) > TIME_TOLERANCE or abs(end - ends) > TIME_TOLERANCE:
            text = f"plays from {start:g} to {end:g}, the timetable has {begins:g} to {ends:g}"
            found.append(Violation("programmes", zone, start, text))
    return tuple(found)


def _stations(rules: ProgrammeRules, programme: Programme, step: float) -> list[tuple[int, float]]:
    """Stations of a programme that run at all, in the order the controller takes them."""
    found = [
        (zone, keyed_minutes(minutes, programme.percent, step))
        for zone, minutes in zip(programme.zones, programme.minutes, strict=True)
    ]
    if rules.listed:
        found.sort(key=lambda one: int(rules.place[one[0]]))
    return [(zone, minutes) for zone, minutes in found if minutes > LEAST]


def _close(running: list[_Running], rules: ProgrammeRules, clock: float) -> None:
    """Shut the valves whose time has come, and end the programmes that are through."""
    for one in list(running):
        one.places += [t + rules.delay for t in one.closes if t <= clock + LEAST]
        one.closes = [t for t in one.closes if t > clock + LEAST]
        if not one.closes and not one.to_open:
            running.remove(one)


def _open(one: _Running, rules: ProgrammeRules, clock: float) -> list[PlayedRun]:
    """Open what may open now: a place free for at least the delay, the last opening at least the delay ago."""
    opened = []
    while one.next_opening <= clock + LEAST:
        zone, minutes = one.to_open.pop(0)
        one.places.remove(min(one.places))
        opened.append(PlayedRun(zone, clock, clock + minutes, one.programme, one.start_number))
        one.closes.append(clock + minutes)
        one.not_before = clock + rules.delay
    return opened

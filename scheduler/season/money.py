"""Energy by tariff block, the price of water, and the allocation with its steps."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from scheduler.plan.stations import typical_energy
from scheduler.site import Site
from scheduler.site.windows import night_windows

MINUTES_A_DAY = 1440


@dataclass(frozen=True)
class Block:
    """Energy of a season at one price: clock hours of it within the windows, [kWh] by month, price or None."""

    hours: str
    price: float | None
    energy: np.ndarray


@dataclass(frozen=True)
class Step:
    """A step of the allocation: above [m3], added price [per m3], water beyond it up to the next [m3], its cost."""

    above: float
    price: float
    volume: float
    cost: float


def zone_energy(site: Site) -> np.ndarray:
    """Energy of a cubic metre through each zone's pump at its usual flow, (Z,) [kWh/m3]; 0 where not known."""
    by_pump = np.append(typical_energy(site), 0.0)
    return np.asarray(by_pump[site.zones.pump])


def energy_blocks(site: Site, nights: tuple[date, ...], energy: np.ndarray, month: np.ndarray) -> tuple[Block, ...]:
    """Energy by tariff block and month.

    The log has no times, so a night's energy is spread over its window by the minutes in each block: an estimate.

    Parameters
    ----------
    site : Site
    nights : tuple of date      Length N.
    energy : ndarray (N,)       [kWh].
    month : ndarray (N,)        Number of each night's month.
    """
    if not energy.any():
        return ()
    months = int(month.max()) + 1
    priced = bool(site.tariffs)
    found: dict[float, np.ndarray] = {}
    clock: dict[float, set[tuple[int, int]]] = {}
    known: dict[tuple[object, ...], list[tuple[int, int, float]]] = {}
    for n, night in enumerate(nights):
        if not energy[n]:
            continue
        key = (night.weekday(), *(r.stands(night) for r in site.restrictions))
        if key not in known:
            window = night_windows(site, night, 1)[0]
            opens, closes = site.window.of(night)
            blocks = [(b.start, b.end, b.energy_price) for b in window.blocks]
            known[key] = blocks or [(opens, closes, 0.0)]
        blocks = known[key]
        whole = sum(end - start for start, end, _ in blocks)
        for start, end, price in blocks:
            found.setdefault(price, np.zeros(months))[month[n]] += energy[n] * (end - start) / whole
            clock.setdefault(price, set()).update(_on_the_clock(start, end))
    return tuple(Block(_hours(clock[price]), price if priced else None, found[price]) for price in sorted(found))


def _on_the_clock(start: int, end: int) -> list[tuple[int, int]]:
    """Minutes of the clock of a span that may pass midnight."""
    start, end = start % MINUTES_A_DAY, start % MINUTES_A_DAY + end - start
    return [(start, end)] if end <= MINUTES_A_DAY else [(start, MINUTES_A_DAY), (0, end - MINUTES_A_DAY)]


def _hours(spans: set[tuple[int, int]]) -> str:
    """Clock hours in words, those that touch joined."""
    joined: list[list[int]] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([start, end])
    if len(joined) > 1 and joined[-1][1] == MINUTES_A_DAY and joined[0][0] == 0:
        joined[0][0] = joined.pop()[0]
    return ", ".join(f"{a // 60:02d}:{a % 60:02d}-{b // 60:02d}:{b % 60:02d}" for a, b in joined)


def allocation_steps(site: Site, used: float) -> tuple[Step, ...]:
    """What each step of the allocation took and costs, at a season's use [m3]."""
    rule = site.allocation
    if rule is None:
        return ()
    tiers = sorted(rule.tiers)
    ends = [above * rule.volume for above, _ in tiers[1:]] + [np.inf]
    found = []
    for (above, price), end in zip(tiers, ends, strict=True):
        begin = above * rule.volume
        volume = float(np.clip(used, begin, end) - begin)
        found.append(Step(begin, price, volume, volume * price))
    return tuple(found)

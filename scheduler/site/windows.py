"""Which minutes of which night may be watered: the window, the drought orders in force, and the blocks of the tariff.

Minutes count from 00:00 local of the evening's date, so 21:00 is 1260 and 05:30 next morning is 1770. Everything about
a night goes by the date of its evening: the window of its weekday, `nights_allowed`, `from` and `until` of an order.
Only clock times go by the clock: `hours` of an order and the blocks of a tariff, whose `days` name the day on which the
block begins. Where two tariff blocks overlap, the later in the file counts; a minute in none of them has the highest
price of the tariff, so that the plan does not seek it. On the two nights a year when clocks change the minutes are
those of the clock before the change.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from scheduler.site.records import SURFACES, Restriction, Site, Tariff

Span = tuple[int, int]


@dataclass(frozen=True)
class Block:
    """A piece of the night of one energy price [per kWh] and one set of surfaces allowed; start, end [min]."""

    start: int
    end: int
    energy_price: float


@dataclass(frozen=True)
class NightWindow:
    """What may be watered when in one night.

    Parameters
    ----------
    night : date
        Date of the evening.
    pieces : tuple of (start, end)
        Minutes in which at least one surface of the site may be watered, sorted, apart from each other; empty if the
        whole night is forbidden.
    blocks : tuple of Block, length B
        The pieces cut where the price or the surfaces allowed change.
    allowed_by_surface : mapping
        Surface -> tuple of B bools: may it be watered in that block. All seven surfaces.
    """

    night: date
    pieces: tuple[Span, ...]
    blocks: tuple[Block, ...]
    allowed_by_surface: Mapping[str, tuple[bool, ...]]

    @property
    def minutes(self) -> int:
        """Length of all pieces [min]."""
        return sum(end - start for start, end in self.pieces)

    def mask(self, surface: Sequence[str] | np.ndarray) -> np.ndarray:
        """Give which block is allowed for each zone, bool array (Z, B), from the zones' surfaces."""
        if not self.blocks:
            return np.zeros((len(surface), 0), dtype=bool)
        return np.array([self.allowed_by_surface[s] for s in surface], dtype=bool).reshape(
            len(surface), len(self.blocks)
        )


def night_windows(site: Site, first_night: date, nights: int) -> tuple[NightWindow, ...]:
    """Give the windows of the nights from `first_night` on.

    Parameters
    ----------
    site : Site
        Window, restrictions, tariffs and the surfaces of the zones are used.
    first_night : date
        Date of the first evening.
    nights : int
        How many nights, 1 or more.

    Returns
    -------
    tuple of NightWindow, length `nights`

    Raises
    ------
    ValueError
        nights is below 1.
    """
    if nights < 1:
        raise ValueError(f"nights must be 1 or more; got {nights}")
    return tuple(_night_window(site, first_night + timedelta(days=n)) for n in range(nights))


def restriction_cut(site: Site, night: date) -> dict[str, float]:
    """Give, for every surface, by how much drought orders cut the replacement of ET on a night [-].

    Of several orders that bind a surface the strictest counts; they are not added up.
    """
    cut = dict.fromkeys(SURFACES, 0.0)
    for order in site.restrictions:
        if order.stands(night):
            for surface in SURFACES:
                if _binds(order, surface):
                    cut[surface] = max(cut[surface], order.cut)
    return cut


def _night_window(site: Site, night: date) -> NightWindow:
    """Give the window of one night."""
    window = site.window.of(night)
    allowed = {surface: _allowed_spans(site.restrictions, surface, night, window) for surface in SURFACES}
    present = [s for s in SURFACES if s in set(site.zones.surface)]
    edges = {edge for spans in allowed.values() for span in spans for edge in span}
    edges |= {edge for edge in _tariff_edges(site.tariffs, night) if window[0] < edge < window[1]}
    ordered = sorted(edges)
    blocks: list[Block] = []
    masks: list[tuple[bool, ...]] = []
    for start, end in zip(ordered, ordered[1:], strict=False):
        mask = tuple(any(a <= start and end <= b for a, b in allowed[s]) for s in SURFACES)
        if not any(on for s, on in zip(SURFACES, mask, strict=True) if s in present):
            continue
        price = energy_price(site.tariffs, night, start)
        if blocks and blocks[-1].end == start and blocks[-1].energy_price == price and masks[-1] == mask:
            blocks[-1] = Block(blocks[-1].start, end, price)
        else:
            blocks.append(Block(start, end, price))
            masks.append(mask)
    pieces: list[Span] = []
    for block in blocks:
        if pieces and pieces[-1][1] == block.start:
            pieces[-1] = (pieces[-1][0], block.end)
        else:
            pieces.append((block.start, block.end))
    by_surface = {s: tuple(mask[i] for mask in masks) for i, s in enumerate(SURFACES)}
    return NightWindow(night, tuple(pieces), tuple(blocks), by_surface)


def _binds(order: Restriction, surface: str) -> bool:
    return order.surfaces is None or surface in order.surfaces


def _allowed_spans(orders: Sequence[Restriction], surface: str, night: date, window: Span) -> list[Span]:
    """Give when one surface may be watered within the window; every order in force must allow it."""
    spans = [window]
    for order in orders:
        if not (order.stands(night) and _binds(order, surface)):
            continue
        if order.nights_allowed is not None and night.weekday() not in order.nights_allowed:
            return []
        if order.hours is not None:
            # a clock span comes back every day: the day before, the evening's, the morning's and the one after
            clock = _merged([(a + day * 1440, b + day * 1440) for a, b in order.hours for day in (-1, 0, 1, 2)])
            spans = [(max(a, c), min(b, d)) for a, b in spans for c, d in clock if max(a, c) < min(b, d)]
    return spans


def _merged(spans: Sequence[Span]) -> list[Span]:
    """Join spans that touch or overlap.

    Examples
    --------
    >>> _merged([(5, 9), (1, 3), (3, 6)])
    [(1, 9)]
    """
    joined: list[Span] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return joined


def _tariff_edges(tariffs: Sequence[Tariff], night: date) -> set[int]:
    """Give the minutes at which a tariff block of the days around a night begins or ends."""
    return {
        minute + day * 1440
        for tariff in tariffs
        for day in (-1, 0, 1, 2)
        if (night + timedelta(days=day)).weekday() in tariff.days
        for minute in (tariff.from_minute, tariff.until_minute)
    }


def energy_price(tariffs: Sequence[Tariff], night: date, minute: int) -> float:
    """Give the price of energy [per kWh] at a minute after 00:00 of the evening's date; 0 without a tariff."""
    for tariff in reversed(tariffs):
        for day in (-1, 0, 1, 2):
            begins = day * 1440
            if (
                begins + tariff.from_minute <= minute < begins + tariff.until_minute
                and (night + timedelta(days=day)).weekday() in tariff.days
            ):
                return tariff.price
    return max((tariff.price for tariff in tariffs), default=0.0)

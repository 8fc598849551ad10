"""The price of a step of over-use: a price, or a share of the price of the water, as letters of a district have it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from scheduler.errors import listing, near_miss, shown
from scheduler.site.records import Source
from scheduler.site.units import NUMBER, price_per

_PERCENT = re.compile(rf"\s*({NUMBER.pattern})\s*(?:%|percent)\s*(?:of\s+(\S.*?))?\s*", re.ASCII | re.IGNORECASE)
MOST = 100.0  # [-] times the price of the water

Step = float | tuple[float, str]  # money per m3; or a share of the price of a source, "" where one is not named


def read_step(value: Any) -> Step:
    """Read the price of a step.

    Raises
    ------
    ValueError   Neither a price nor a percentage.

    Examples
    --------
    >>> read_step("25 %"), read_step("25 % of well"), read_step(0.5)
    ((0.25, ''), (0.25, 'well'), 0.5)
    """
    match = _PERCENT.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        try:
            price = price_per(value, "m3")
        except ValueError as reason:
            raise ValueError(f'{reason}; or a share of the price of the water, like "25 %"') from None
        if price < 0:
            raise ValueError("a price of 0 or more is allowed")
        return price
    share = float(match[1]) / 100.0
    if not 0 <= share <= MOST:
        raise ValueError(f"a share of the price from 0 to {100 * MOST:,.0f} % is allowed")
    return share, match[2] or ""


def step_price(step: Step, sources: Sequence[Source]) -> float:
    """What a cubic metre of a step costs more, at the prices of some sources [money per m3].

    Raises
    ------
    ValueError   The price that the share is of is not known.
    """
    if isinstance(step, float):
        return step
    share, name = step
    known = [s.name for s in sources]
    if name and name not in known:
        raise ValueError(f'there is no source "{shown(name)}"; allowed: {listing(known)}{near_miss(name, known)}')
    prices = {s.price for s in sources if name in ("", s.name)}
    if len(prices) > 1:
        words = f"the sources have different prices; say of which, for example \"{100 * share:g} % of {known[0]}\""
        raise ValueError(words)
    if not any(prices):
        raise ValueError("the water has no price in site.toml that this could be a share of; give a price")
    return share * prices.pop()

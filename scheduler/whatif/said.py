"""What a case asks, in words: a line for each of its parts, for whoever has not read the letter.

Orders of water (`cut` with a base, allowances) are said with their cubic metres where these are known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime, time
from typing import Any

from scheduler import edge
from scheduler.sheets.names import PLURALS, joined
from scheduler.site import Site
from scheduler.whatif.case import Case, Part
from scheduler.whatif.surcharge import Step

WHOLE_DAY = 1440
BINDS_ZONES = ("nights_allowed", "nights_a_week", "hours_forbidden", "cut", "allowance", "et_allowance")


def asked(site: Site, case: Case) -> list[str]:
    """What a case asks, a line for each part of it.

    Examples
    --------
    "Tees and rough: no water from 08:00 to 20:00. Greens are exempt."
    """
    return [words for part in case.parts if (words := _part(site, part))]


def _part(site: Site, part: Part) -> str:
    """One part; its dates, whom it binds, what it asks of them and what it changes besides."""
    keys = part.keys
    orders = [words for key in BINDS_ZONES for words in _said(site, part, key)]
    rest = [words for key in _SAID if key not in BINDS_ZONES for words in _said(site, part, key)]
    sentences = []
    if orders:
        every = sorted(set(site.zones.surface), key=lambda s: (site.surfaces[s].priority, s))
        bound = [s for s in every if keys.surfaces is None or s in keys.surfaces]
        exempt = [s for s in every if s not in bound]
        sentences.append(f"{_surfaces(bound)}: {'; '.join(orders)}" if exempt else "; ".join(orders))
        if exempt:
            sentences.append(f"{_surfaces(exempt)} {_are(exempt)} exempt")
    if rest:
        sentences.append("; ".join(rest))
    text = ". ".join(s[0].upper() + s[1:] for s in sentences)
    dates = _dates(part, site.units)
    return f"{dates}: {text}." if text and dates else f"{text}." if text else ""


def _said(site: Site, part: Part, key: str) -> Iterator[str]:
    value = getattr(part.keys, key)
    if value is not None and key in _SAID:
        words = _SAID[key](value, part.keys, site)
        if words:
            yield words


def _dates(part: Part, units: str) -> str:
    keys = part.keys
    first, last = (None if d is None else edge.format_short_date(d, units) for d in (keys.starts, keys.ends))
    if first and last:
        return f"From {first} until {last}"
    return f"From {first}" if first else f"Until {last}" if last else ""


def _surfaces(names: list[str]) -> str:
    words = joined([PLURALS[s].lower() for s in names])
    return words[0].upper() + words[1:]


def _are(names: list[str]) -> str:
    return "is" if len(names) == 1 and not PLURALS[names[0]].endswith("s") else "are"


def _clock(minute: int, units: str) -> str:
    return edge.format_time(datetime.combine(datetime.min, time(minute % WHOLE_DAY // 60, minute % 60)), units)


def _span(span: tuple[int, int], units: str) -> str:
    return f"{_clock(span[0], units)} to {_clock(span[1], units)}"


def _nights(days: frozenset[int]) -> str:
    return f"water on {joined([edge.WEEKDAYS[d] for d in sorted(days)])} nights only" if days else "no water"


def _a_week(most: int) -> str:
    if most == 0:
        return "no water"
    return f"{most} night{'s' if most > 1 else ''} a week, the plan chooses which"


def _names(noun: str, what: str) -> Callable[..., str]:
    def words(names: tuple[str, ...], *_: Any) -> str:
        return f"{noun}{'s' if len(names) > 1 else ''} {joined(list(names))} {what}"

    return words


def _times(noun: str, none: str) -> Callable[..., str]:
    """A factor as people say it: so much more or less, or none at all."""

    def words(factor: float, *_: Any) -> str:
        if factor == 0:
            return none
        change = 100 * (factor - 1)
        return f"{noun} as now" if not change else f"{noun} {abs(change):.3g} % {'more' if change > 0 else 'less'}"

    return words


def _without_base(cut: float, keys: Any, _: Site) -> str:
    """A cut of a base period is an order in cubic metres, said elsewhere."""
    return "" if keys.base is not None else f"{100 * cut:.3g} % less water than the turf uses, over any seven nights"


def _steps(steps: Any, _: Any, site: Site) -> str:
    return "use " + joined([f"above {_above(t.above)} costs {_more(t.price, site)} more" for t in steps])


def _above(above: float | str) -> str:
    if isinstance(above, str):
        return above
    return "the season's volume" if above == 1.0 else f"{100 * above:.4g} % of the season's volume"


def _more(price: Step, site: Site) -> str:
    if isinstance(price, tuple):
        return f"{100 * price[0]:.4g} %" + (f" of the price of {price[1]}" if price[1] else "")
    unit = "1,000 gal" if site.units == "us" else "m³"
    return f"{edge.format_money(price / edge.volume_scale(site.units), site.currency)} per {unit}"


def _warmer(shift: float, _: Any, site: Site) -> str:
    by = f"{abs(shift) * 1.8:.3g} °F" if site.units == "us" else f"{abs(shift):.3g} °C"
    return f"{by} {'warmer' if shift > 0 else 'cooler'}"


_SAID: dict[str, Callable[..., str]] = {
    "nights_allowed": lambda days, *_: _nights(days),
    "nights_a_week": lambda most, *_: _a_week(most),
    "hours_forbidden": lambda spans, _, site: f"no water from {joined([_span(s, site.units) for s in spans])}",
    "cut": _without_base,
    "surfaces_off": lambda names, *_: f"no water on {joined([PLURALS[s].lower() for s in sorted(names)])}",
    "zones_off": _names("zone", "off"),
    "window": lambda span, _, site: f"water from {_span(span, site.units)}",
    "source_off": _names("source", "closed"),
    "pump_out": _names("pump", "out of service"),
    "pump_capacity_factor": lambda factor, *_: f"pumps at {100 * factor:.3g} % of their strength",
    "allocation": lambda volume, _, site: f"{edge.format_volume(volume, site.units)} for the season",
    "allocation_factor": lambda factor, *_: f"{100 * factor:.3g} % of what is left of the season's water",
    "tiers": _steps,
    "price_factor": _times("water costs", "water costs nothing"),
    "ec_factor": _times("salt in the water", "no salt in the water"),
    "eto_factor": _times("reference ET", "no reference ET"),
    "rain_factor": _times("rain", "no rain"),
    "temperature_shift": _warmer,
}

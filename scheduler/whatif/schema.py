"""The keys of a case: what each may be, in the units inside. How they fit the site is checked in `case.py`.

An unknown key is an error, as an order half understood is worse than none.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from models.allowance import SPECIAL_FACTOR
from scheduler.errors import listing, near_miss, shown
from scheduler.site.cells import FIRST_YEAR, LAST_YEAR
from scheduler.site.key_types import Day, Name, Share, Spans, Surfaces, Weekdays, read_above, read_clock
from scheduler.site.units import quantity
from scheduler.whatif.surcharge import read_step

PERIODS = ("night", "week", "month", "m2_month")


def _number(low: float, high: float, example: str, unit: str = "") -> Any:
    """Give the type of a plain number or quantity within limits, both ends allowed."""

    def read(value: Any) -> float:
        try:
            number = quantity(value, unit)
        except ValueError as reason:
            raise ValueError(str(reason)) from None
        if not low <= number <= high:
            raise ValueError(f"a number from {low:g} to {high:g} is allowed, for example {example}")
        return number

    return Annotated[float, BeforeValidator(read)]


def _read_names(value: Any) -> tuple[str, ...]:
    value = [value] if isinstance(value, str) else value
    if not isinstance(value, list) or not value or not all(isinstance(v, str) and v.strip() for v in value):
        raise ValueError('a name or a list of names like ["north loop"] is allowed')
    return tuple(dict.fromkeys(v.strip() for v in value))


def _read_base(value: Any) -> tuple[date, date] | int:
    """Read the base of a cut: a year, or the first and last night of a period."""
    words = 'a year like 2025, or two dates like ["2025-07-01", "2025-07-31"], is allowed'
    if isinstance(value, int) and not isinstance(value, bool) and FIRST_YEAR <= value <= LAST_YEAR:
        return value
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(words)
    try:
        first, last = (v if isinstance(v, date) else date.fromisoformat(str(v).strip()) for v in value)
    except ValueError:
        raise ValueError(words) from None
    if last < first:
        raise ValueError(f"{words}; the second must not be before the first")
    return first, last


def _read_per(value: Any) -> str:
    text = " ".join(str(value).casefold().replace("²", "2").split())
    text = {"m2": "m2_month", "m2 and month": "m2_month", "area": "m2_month", "m2 month": "m2_month"}.get(text, text)
    if text not in PERIODS:
        raise ValueError(f"allowed: {listing(PERIODS)}{near_miss(text, PERIODS)}")
    return text


def _read_allowance(value: Any) -> tuple[float, str]:
    """Read a volume [m3], or a depth [m] for an allowance per area; which of the two is told by its unit."""
    for unit, kind in (("m3", "volume"), ("m", "depth")):
        try:
            number = quantity(value, unit)
        except ValueError:
            continue
        if number < 0:
            raise ValueError("0 or more is allowed")
        return number, kind
    raise ValueError('a volume is allowed, for example 900 or "240000 gal"; per area also a depth like "60 mm"')


def _read_window(value: Any) -> tuple[int, int]:
    """Read a window, "22:00-05:00" or {opens = "22:00", closes = "05:00"}, as clock times [min after 00:00]."""
    words = 'a span like "22:00-05:00" is allowed'
    if isinstance(value, dict):
        if set(value) != {"opens", "closes"}:
            raise ValueError(f"opens and closes are needed; or {words}")
        value = [value["opens"], value["closes"]]
    parts = value.replace("–", "-").split("-") if isinstance(value, str) else value
    if not isinstance(parts, (list, tuple)) or len(parts) != 2:
        raise ValueError(words)
    try:
        opens, closes = (read_clock(p) for p in parts)
    except ValueError as reason:
        raise ValueError(f"{words}; {reason}") from None
    if opens == closes:
        raise ValueError("a window closes at another time than it opens; 00:00-24:00 is a whole day")
    return opens, closes


def _read_nights(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 7:
        raise ValueError("a whole number of nights from 0 to 7 is allowed")
    return value


def _read_tiers(value: Any) -> Any:
    if not isinstance(value, list) or not value:
        raise ValueError("a list like [{above = 1.0, price = 1.35}] is allowed")
    return value


Names = Annotated[tuple[str, ...], BeforeValidator(_read_names)]
Base = Annotated[Any, BeforeValidator(_read_base)]
Factor = _number(0, 10, "0.8")


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", arbitrary_types_allowed=True, protected_namespaces=(), frozen=True)


class EtAllowanceKeys(_Part):
    """`et_allowance`: factors of the public formula by class of area, and the share of rain that is counted off."""

    factor: _number(0, 2, "0.45")
    special_factor: _number(0, 2, "1.0") = SPECIAL_FACTOR
    landscape_factor: _number(0, 2, "0.45") | None = None
    rain_share: Share = 0.0


class StepKeys(_Part):
    """One of `tiers`: from which share of the season's volume, or volume, on; and what a cubic metre costs more."""

    above: Annotated[Any, BeforeValidator(read_above)]
    price: Annotated[Any, BeforeValidator(read_step)]


class CaseKeys(_Part):
    """One case file."""

    title: Name | None = None
    starts: Day | None = Field(default=None, alias="from")
    ends: Day | None = Field(default=None, alias="until")
    surfaces: Surfaces | None = None
    allocation_factor: Factor | None = None
    allocation: _number(0, 1e9, "120000", "m3") | None = None
    cut: Share | None = None
    base: Base | None = None
    allowance: Annotated[Any, BeforeValidator(_read_allowance)] | None = None
    per: Annotated[str, BeforeValidator(_read_per)] | None = None
    et_allowance: EtAllowanceKeys | None = None
    nights_allowed: Weekdays | None = None
    nights_a_week: Annotated[int, BeforeValidator(_read_nights)] | None = None
    window: Annotated[Any, BeforeValidator(_read_window)] | None = None
    hours_forbidden: Spans | None = None
    surfaces_off: Surfaces | None = None
    zones_off: Names | None = None
    source_off: Names | None = None
    pump_out: Names | None = None
    pump_capacity_factor: Factor | None = None
    price_factor: _number(0, 100, "1.5") | None = None
    ec_factor: Factor | None = None
    eto_factor: _number(0, 5, "1.2") | None = None
    rain_factor: _number(0, 20, "0.5") | None = None
    temperature_shift: _number(-20, 20, "3") | None = None
    tiers: Annotated[list[StepKeys], BeforeValidator(_read_tiers)] | None = None


NUMERIC = (
    "allocation_factor", "allocation", "cut", "nights_a_week", "allowance", "pump_capacity_factor", "price_factor",
    "ec_factor", "eto_factor", "rain_factor", "temperature_shift", "et_allowance.factor",
)  # fmt: skip


def known_keys(inside: tuple[Any, ...] = ()) -> list[str]:
    """Give the keys a case, or one of its tables, may hold."""
    model = {"et_allowance": EtAllowanceKeys, "tiers": StepKeys}.get(str(inside[0]) if inside else "", CaseKeys)
    return [f.alias or name for name, f in model.model_fields.items()]


def unknown_key(path: tuple[Any, ...]) -> str:
    """Say that a key is not known, with the nearest that is."""
    known = known_keys(path[:-1])
    hint = near_miss(str(path[-1]), known)
    return f'"{shown(path[-1])}" is no key of a case{hint}' + ("" if hint else f"; allowed: {listing(known, 40)}")

"""Units of measure: the only place that knows pint.

Everything converts once, at the edge: a column or a key has one inside unit, a header or a string may carry another
one. Every conversion is linear, `inside = factor * written + offset` (the offset is for degF), so that a column
converts in one go. Energy a day, depth a day and head are also written as energy, depth and pressure by the trade;
those are read as what they mean.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from scheduler.errors import shown

if TYPE_CHECKING:
    import pint

# As written by the trade -> as pint knows it. Compared without regard to case where the exact text is not found.
ALIASES = {
    "°f": "degF", "°c": "degC", "℉": "degF", "℃": "degC", "deg f": "degF", "deg c": "degC", "degf": "degF",
    "degc": "degC", "gpm": "gal/min", "gpd": "gal/d", "cfs": "ft3/s", "lps": "L/s", "lpm": "L/min", "l/s": "L/s",
    "l/min": "L/min", "l": "L", "l/h": "L/h", "cms": "m3/s", "m3/hr": "m3/h", "mgd": "Mgal/d", "acre_ft": "acre_foot",
    "acre-ft": "acre_foot", "ac-ft": "acre_foot", "ac_ft": "acre_foot", "acre ft": "acre_foot",
    "acre feet": "acre_foot", "acre-feet": "acre_foot", "acre-foot": "acre_foot", "acft": "acre_foot",
    "af": "acre_foot", "acres": "acre", "ac": "acre", "sq ft": "ft2", "sqft": "ft2", "sq m": "m2", "sqm": "m2",
    "ha": "hectare", "cu ft": "ft3", "cuft": "ft3", "ccf": "hundred_cubic_feet", "hcf": "hundred_cubic_feet",
    "gals": "gal", "kgal": "kgal", "mgal": "Mgal", "mmho/cm": "mS/cm", "mmhos/cm": "mS/cm", "umho/cm": "uS/cm",
    "umhos/cm": "uS/cm", "µs/cm": "uS/cm", "μs/cm": "uS/cm", "us/cm": "uS/cm", "ms/cm": "mS/cm", "ds/m": "dS/m",
    "ms/m": "mS/m", "ly": "langley", "ly/d": "langley/d", "cal/cm2": "langley", "w/m2": "W/m2", "mj/m2": "MJ/m2",
    "mj/m2/d": "MJ/m2/d", "mj/m2/day": "MJ/m2/d", "mj m-2": "MJ/m2", "mj m-2 d-1": "MJ/m2/d", "wh/m2": "W*h/m2",
    "kwh/m2": "kW*h/m2", "ft/s": "ft/s", "kph": "km/h", "mi/h": "mph", "in/hr": "in/h", "mm/hr": "mm/h", "inch": "in",
    "inches": "in", "feet": "ft", "minutes": "min", "mins": "min", "hours": "h", "hrs": "h", "sec": "s", "secs": "s",
    "kpa": "kPa", "feet of water": "ftH2O", "m of water": "mH2O", "percent": "%", "pct": "%", "% vol": "%",
    "vol %": "%", "%vol": "%", "vol%": "%", "fraction": "", "-": "", "0-1": "", "1": "", "m3/m3": "", "m3 m-3": "",
    "cm3/cm3": "", "ft3/ft3": "", "in3/in3": "", "mm/mm": "", "m/m": "", "ft/ft": "", "in/in": "",
}  # fmt: skip

# Inside unit -> other dimensions read as the same thing, each with the inside value of one of its units.
ALSO_READ_AS = {
    "MJ/m2/d": {"MJ/m2": 1.0},  # a day's total, written without "a day"
    "mm": {"mm/d": 1.0},  # a day's depth
    "h": {"h/d": 1.0},
    "m": {"kPa": 1 / 9.80665},  # head of fresh water of 1000 kg/m3 under standard gravity: 0.7031 m per psi
}

# What a person may write, by inside unit, for messages.
EXAMPLES = {
    "m2": "m2, ft2, acre or ha",
    "L/s": "L/s, m3/h, gal/min or ft3/s",
    "L/s/min": "L/s/min or gal/min/min",
    "mm/h": "mm/h or in/h",
    "mm": "mm or in",
    "cm": "cm, m, in or ft",
    "m": "m, ft, kPa or psi",
    "min": "min, h or s",
    "s": "s or min",
    "h": "h or min",
    "degC": "degC, degF or K",
    "m/s": "m/s, km/h, km/d or mph",
    "MJ/m2/d": "MJ/m2/d, W/m2, langley or kWh/m2",
    "dS/m": "dS/m, mS/cm, uS/cm or mmho/cm",
    "m3": "m3, L, gal, kgal or acre_ft",
    "": "fraction or %",
    "%": "% or fraction",
    "deg": "deg",
    "kWh": "kWh or MWh",
}

# What nearly every site is written in: factors as pint gives them (a test compares each). Its registry takes half a
# second to load.
USUAL = {
    ("cm", "m"): 0.01, ("ft", "m"): 0.3048, ("in", "m"): 0.0254, ("in", "mm"): 25.4, ("ft2", "m2"): 0.09290304,
    ("acre", "m2"): 4046.87260987425, ("hectare", "m2"): 10000.0, ("gal/min", "L/s"): 0.0630901964,
    ("m3/h", "L/s"): 0.277777777777778, ("L/min", "L/s"): 0.0166666666666667,
    ("gal/min/min", "L/s/min"): 0.0630901964, ("in/h", "mm/h"): 25.4, ("mph", "m/s"): 0.44704,
    ("km/h", "m/s"): 0.277777777777778, ("h", "min"): 60.0, ("min", "s"): 60.0, ("mS/cm", "dS/m"): 1.0,
    ("uS/cm", "dS/m"): 0.001, ("gal", "m3"): 0.003785411784, ("kgal", "m3"): 3.785411784, ("L", "m3"): 0.001,
    ("acre_foot", "m3"): 1233.48923846815, ("%", ""): 0.01,
}  # fmt: skip
USUAL_OFFSET = {("degF", "degC"): (0.555555555555543, -17.7777777777777)}

_TOKEN = r"(?:(?:ft|in|m|cm)H2O|[A-Za-z°µμ℉℃%_]+(?:\^?-?[1-4])?|1|10|100|1000)"
_GRAMMAR = re.compile(rf"{_TOKEN}(?:(?:\s*[/*·]\s*|\s+){_TOKEN})*")
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_QUANTITY = re.compile(rf"\s*({NUMBER.pattern})\s*(.*?)\s*", re.ASCII | re.DOTALL)
_PRICE = re.compile(
    rf"\s*(?:[$€£¥]|[A-Z]{{3}}\b)?\s*({NUMBER.pattern})\s*(?:[$€£¥]|[A-Z]{{3}}\b)?\s*(?:(?:/|per\b)\s*(\d+(?:\.\d+)?)?\s*(\S.*?))?\s*",
    re.ASCII,
)


@dataclass(frozen=True)
class Linear:
    """A conversion `inside = factor * written + offset`.

    Examples
    --------
    >>> conversion("degF", "degC").inside(212.0)
    100.0
    >>> round(conversion("psi", "m").factor, 4)
    0.7031
    """

    factor: float
    offset: float = 0.0

    def inside(self, written: float) -> float:
        """Convert one number from the written unit to the inside unit."""
        return float(f"{self.factor * written + self.offset:.13g}")

    def written(self, inside: float) -> float:
        """Convert one number from the inside unit back to the written one."""
        return float(f"{(inside - self.offset) / self.factor:.12g}")

    def column(self, written: np.ndarray) -> np.ndarray:
        """Convert a column, shape (R,), from the written unit to the inside unit; NaN stays NaN."""
        if self.factor == 1.0 and self.offset == 0.0:
            return written
        return written * self.factor + self.offset


@cache
def _registry() -> pint.UnitRegistry:
    """Build the registry once, on the first unit that is not the inside one."""
    import pint

    registry = pint.UnitRegistry()
    registry.define("hundred_cubic_feet = 100 * foot ** 3")
    registry.define("mH2O = 9.80665 * kilopascal")
    return registry


def _known(text: str) -> str:
    """Give a unit text with the trade's spellings replaced and ' per ' as a slash."""
    text = re.sub(r"\s+", " ", text.strip())
    text = re.sub(r"\s*\bper\b\s*", "/", text).replace("²", "2").replace("³", "3")
    if text.lower() in ALIASES and text not in ("mS/m",):
        return ALIASES[text.lower()]
    return text


def _factor_and_offset(text: str, inside: str) -> Linear:
    """Ask pint for the conversion of one unit text to another one; raises ValueError if there is none."""
    if not _GRAMMAR.fullmatch(text) or len(text) > 40:
        raise ValueError(text)
    registry = _registry()
    spelled = re.sub(r"([A-Za-z°µμ%])\^?(-?[1-4])(?![0-9])", r"\1**\2", text.replace("·", "*"))
    spelled = re.sub(r"(?<=[A-Za-z0-9%])\s+(?=[A-Za-z])", "*", spelled.replace("H**2O", "H2O"))
    target = re.sub(r"([A-Za-z])([1-4])", r"\1**\2", inside) or "dimensionless"
    try:
        units = registry.parse_units(spelled) if not re.search(r"(?<![\w*])\d", spelled) else None
        if units is None:  # a number in it, as in "1000 gal"
            one = registry.parse_expression(spelled)
            zero = 0 * one
        else:
            zero, one = registry.Quantity(0.0, units), registry.Quantity(1.0, units)
        if "radian" in str(one.to_base_units().units) or "degree" in re.sub("degree_", "", str(one.units)):
            raise ValueError(text)
        low, high = zero.to(target).magnitude, one.to(target).magnitude
    except Exception as reason:  # pint raises many kinds of its own for a text that is no unit; all mean the same here
        raise ValueError(text) from reason
    return Linear(float(f"{high - low:.15g}"), float(f"{low:.15g}"))


@cache
def conversion(written: str, inside: str) -> Linear:
    """Give the conversion of a written unit to an inside unit.

    Parameters
    ----------
    written : str
        As in a header's brackets or after a number, for example "gal/min".
    inside : str
        A key of `EXAMPLES`.

    Returns
    -------
    Linear
        Also for dimensions the trade writes for the same thing (`ALSO_READ_AS`).

    Raises
    ------
    ValueError
        Not a unit, or one of another dimension; the text says what is allowed.

    Examples
    --------
    >>> conversion("ft2", "m2").factor
    0.09290304
    >>> conversion("gal", "L/s")
    Traceback (most recent call last):
    ...
    ValueError: read the unit "gal"; L/s, m3/h, gal/min or ft3/s is allowed
    """
    text = _known(written)
    if text == inside:
        return Linear(1.0)
    if inside == "degC" and text in ("F", "C"):
        text = "deg" + text
    if (text, inside) in USUAL:
        return Linear(USUAL[text, inside])
    if (text, inside) in USUAL_OFFSET:
        return Linear(*USUAL_OFFSET[text, inside])
    if inside == "deg":
        if text in ("°", "degree", "degrees"):
            return Linear(1.0)
    else:
        for target, scale in ((inside, 1.0), *ALSO_READ_AS.get(inside, {}).items()):
            for spelling in dict.fromkeys((text, text.lower())):
                try:
                    if inside == "%" and spelling == "":
                        return Linear(100.0)
                    found = _factor_and_offset(spelling, target)
                except ValueError:
                    continue
                return Linear(found.factor * scale, found.offset * scale)
    near = difflib.get_close_matches(text, re.split(r", | or ", EXAMPLES.get(inside, inside)), n=1, cutoff=0.75)
    hint = f' (did you mean "{near[0]}"?)' if near else ""
    raise ValueError(f'read the unit "{shown(written)}"; {EXAMPLES.get(inside, inside)} is allowed{hint}')


def quantity(value: object, inside: str, default: str | None = None) -> float:
    """Give the inside number for a TOML value: a number in the default unit, or a string with its unit.

    Parameters
    ----------
    value : int, float or str
        As read.
    inside, default : str
        Inside unit; unit of a bare number, the inside unit if None.

    Raises
    ------
    ValueError
        Neither a finite number nor a number with a unit of the right kind.

    Examples
    --------
    >>> round(quantity("1100 gal/min", "L/s"), 3), quantity(12, "L/s")
    (69.399, 12.0)
    """
    unit = inside if default is None else default
    if isinstance(value, str):
        match = _QUANTITY.fullmatch(value)
        if not match:
            raise ValueError(
                f'a number, or a text of a number and its unit like "{f"12.5 {unit}".strip()}", is allowed'
            )
        number, unit = float(match[1]), match[2] or unit
    elif isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ValueError("a number, or a text of a number and its unit, is allowed")
    else:
        try:
            number = float(value)
        except OverflowError:
            number = float("inf")
    if not np.isfinite(number):
        raise ValueError("a finite number is allowed")
    return conversion(unit, inside).inside(number)


def price_per(value: object, inside: str) -> float:
    """Give a price per one inside unit: from a number, or from a text such as "2.10 per 1000 gal".

    Raises
    ------
    ValueError
        Neither a finite number nor a price of something of the right kind.

    Examples
    --------
    >>> round(price_per("$2.10 / 1000 gal", "m3"), 4), price_per("0.55 per m3", "m3"), price_per(0.12, "kWh")
    (0.5548, 0.55, 0.12)
    """
    if not isinstance(value, str):
        return quantity(value, "")
    match = _PRICE.fullmatch(value)
    if not match:
        raise ValueError(f'a number per {inside}, or a text like "2.10 per {_PER.get(inside, inside)}", is allowed')
    price = float(match[1])
    if not match[3]:
        return price
    each = float(match[2] or 1) * conversion(match[3], inside).factor
    if not (np.isfinite(price) and np.isfinite(each) and each > 0):
        raise ValueError("a finite price is allowed")
    return float(f"{price / each:.12g}")


_PER = {"m3": "1000 gal", "kWh": "kWh"}

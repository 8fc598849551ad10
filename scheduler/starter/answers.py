"""What a new site is asked, and what is taken where nothing was answered."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import available_timezones

from scheduler.errors import listing, near_miss, read_but
from scheduler.site.records import SURFACES
from scheduler.site.time_zones import nearest_zone
from scheduler.site.units import quantity

MOST_OF_A_SURFACE = 2_000  # zones
COUNTS = {"green": 4, "tee": 3, "fairway": 4, "rough": 1}  # of a site that says nothing
SOURCE, EC = "reclaimed", 1.1  # [dS/m]; an example, for a laboratory to put right
CURRENCY = {"us": "USD", "metric": "EUR"}
LATITUDE, LONGITUDE, ELEVATION = 38.5, -121.7, 20.0  # [deg], [deg], [m] of a site that says nothing


@dataclass(frozen=True)
class Answers:
    """What a new site begins with.

    Attributes
    ----------
    name, units, currency, time_zone : str
    latitude, longitude, elevation : float     [deg], [deg], [m]
    surfaces : mapping of str to int           Zones of each surface, where no table of zones is given.
    controllers : tuple of str                 Names.
    sources : tuple of (str, float)            Names, and EC of their water [dS/m].
    zones : Path or None                       A table of one's own zones.
    """

    name: str
    units: str = "us"
    latitude: float = LATITUDE
    longitude: float = LONGITUDE
    elevation: float = ELEVATION
    time_zone: str = ""
    currency: str = ""
    surfaces: Mapping[str, int] = field(default_factory=lambda: dict(COUNTS))
    controllers: tuple[str, ...] = ("A",)
    sources: tuple[tuple[str, float], ...] = ((SOURCE, EC),)
    zones: Path | None = None


def answered(
    name: str,
    *,
    units: str | None = None,
    latitude: str | None = None,
    longitude: str | None = None,
    elevation: str | None = None,
    time_zone: str | None = None,
    currency: str | None = None,
    surfaces: str | None = None,
    controllers: str | None = None,
    sources: str | None = None,
    zones: Path | None = None,
) -> Answers:
    """Read answers as typed; what is None or empty is taken as on the page of defaults.

    Raises
    ------
    ValueError   An answer cannot be read; the text names it and says what to type.
    """
    system = _units(units or "us")
    where = _degrees("latitude", latitude, 90, LATITUDE), _degrees("longitude", longitude, 180, LONGITUDE)
    return Answers(
        name=_name(name),
        units=system,
        latitude=where[0],
        longitude=where[1],
        elevation=_elevation(elevation, system),
        time_zone=_zone(time_zone) if time_zone else nearest_zone(*where),
        currency=(currency or CURRENCY[system]).strip().upper()[:8],
        surfaces=_surfaces(surfaces) if surfaces else dict(COUNTS),
        controllers=_names("controllers", controllers) if controllers else ("A",),
        sources=_sources(sources) if sources else ((SOURCE, EC),),
        zones=zones,
    )


def _name(text: str) -> str:
    name = " ".join(text.split())
    if not name or len(name) > 80 or not name.isprintable() or '"' in name or "\\" in name:
        raise ValueError(f"name: {read_but(name, 'a name of 1 to 80 letters without quotes is allowed')}")
    return name


def _units(text: str) -> str:
    known = {"us": "us", "metric": "metric", "si": "metric", "imperial": "us"}
    if text.strip().casefold() not in known:
        raise ValueError(f"units: {read_but(text, 'us or metric is allowed')}")
    return known[text.strip().casefold()]


def _degrees(what: str, text: str | None, most: float, otherwise: float) -> float:
    """Degrees, also as 34.6 N or 116.9 W."""
    if text is None or not text.strip():
        return otherwise
    match = re.fullmatch(r"([+-]?\d+(?:[.,]\d+)?)\s*°?\s*([NSEWnsew]?)", text.strip())
    value = float(match[1].replace(",", ".")) if match else float("nan")
    if match and match[2].upper() in ("S", "W"):
        value = -abs(value)
    side = match[2].upper() if match else ""
    if not abs(value) <= most or (side and side not in ("NS" if most == 90 else "EW")):
        example = "34.6, or -34.6 south of the equator" if most == 90 else "-116.9 west of Greenwich, 4.9 east of it"
        raise ValueError(
            f"{what}: {read_but(text, f'degrees from -{most:g} to {most:g} are allowed, such as {example}')}"
        )
    return value


def _elevation(text: str | None, units: str) -> float:
    """Elevation [m]; a bare number is in the unit of the answers."""
    if text is None or not text.strip():
        return ELEVATION
    try:
        value = quantity(
            float(text) if re.fullmatch(r"\s*[+-]?[\d.]+\s*", text) else text, "m", "ft" if units == "us" else "m"
        )
    except ValueError:
        value = float("nan")
    if not -450 <= value <= 6000:
        raise ValueError(f"elevation: {read_but(text, 'a height such as 1410 ft or 430 m is allowed')}")
    return round(value, 1)


def _zone(text: str) -> str:
    known = available_timezones()
    found = {z.casefold(): z for z in known}.get(text.strip().replace(" ", "_").casefold())
    if found is None:
        words = f'a name such as "America/Los_Angeles" is allowed{near_miss(text, sorted(known))}'
        raise ValueError(f"time zone: {read_but(text, words)}")
    return found


def _surfaces(text: str) -> dict[str, int]:
    """Read "green=9, tee=9, rough", or plurals."""
    found: dict[str, int] = {}
    for part in re.split(r"[,;]\s*", text.strip().strip(",;")):
        match = re.fullmatch(r"\s*(?:(\d+)\s+)?([A-Za-z]+?)\s*(?:[=:]\s*(\d+))?\s*", part)
        word = match[2].casefold() if match else part
        name = next((s for s in SURFACES if word in (s, f"{s}s", f"{s}es")), None)
        count = int(match[3] or match[1] or COUNTS.get(name or "", 2)) if match else 0
        if name is None or not 1 <= count <= MOST_OF_A_SURFACE:
            words = f'a list such as "green=9, tee=9, fairway=12" is allowed; surfaces are {listing(SURFACES)}'
            raise ValueError(f"surfaces: {read_but(part, words)}{near_miss(word, list(SURFACES))}")
        found[name] = found.get(name, 0) + count
    return found


def _names(what: str, text: str) -> tuple[str, ...]:
    names = tuple(dict.fromkeys(" ".join(p.split()) for p in text.split(",") if p.strip()))
    if not names or any(len(n) > 60 or '"' in n or "\\" in n or not n.isprintable() for n in names):
        raise ValueError(f"{what}: {read_but(text, 'names separated by commas are allowed')}")
    return names


def _sources(text: str) -> tuple[tuple[str, float], ...]:
    """Read "reclaimed=1.4, well=0.8": names and EC."""
    found = []
    for part in _names("sources", text):
        name, mark, ec = part.partition("=")
        try:
            value = quantity(float(ec) if re.fullmatch(r"\s*[\d.]+\s*", ec) else ec, "dS/m") if mark else EC
        except ValueError:
            value = float("nan")
        if not name.strip() or not 0 <= value <= 50:
            words = 'a name with the EC of its water in dS/m is allowed, such as "reclaimed=1.4"'
            raise ValueError(f"sources: {read_but(part, words)}")
        found.append((name.strip(), value))
    return tuple(dict(found).items())

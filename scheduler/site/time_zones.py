"""Which time zone a place may lie in: that of the nearest town of the table that comes with the zones."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

import numpy as np


def nearest_zone(latitude: float, longitude: float) -> str:
    """Give the time zone whose own town is nearest; it is told, and near a border a person must put it right.

    >>> nearest_zone(38.5, -121.7), nearest_zone(52.3, 4.9), nearest_zone(-33.9, 151.2)
    ('America/Los_Angeles', 'Europe/Amsterdam', 'Australia/Sydney')
    """
    towns = _towns()
    if not towns:
        hours = round(-longitude / 15.0)
        return f"Etc/GMT{hours:+d}" if hours else "UTC"
    at = np.radians([t[:2] for t in towns])
    here = np.radians([latitude, longitude])
    half = np.sin((at - here) / 2) ** 2
    apart = half[:, 0] + np.cos(at[:, 0]) * np.cos(here[0]) * half[:, 1]
    return towns[int(np.argmin(apart))][2]


def _towns() -> list[tuple[float, float, str]]:
    """Latitude, longitude and name of every time zone, from the table that comes with them."""
    text = ""
    for table in (_packaged(), Path("/usr/share/zoneinfo/zone.tab")):
        if table is not None and table.is_file():
            text = table.read_text(encoding="utf-8")
            break
    found = []
    for line in text.splitlines():
        parts = line.split("\t")
        match = (
            re.fullmatch(r"([+-]\d{4,6})([+-]\d{5,7})", parts[1])
            if not line.startswith("#") and len(parts) > 2
            else None
        )
        if match:
            found.append((_minutes(match[1], 2), _minutes(match[2], 3), parts[2]))
    return found


def _packaged() -> Path | None:
    """Table of the tzdata package, where it is installed."""
    try:
        return Path(str(resources.files("tzdata") / "zoneinfo" / "zone.tab"))
    except ModuleNotFoundError:
        return None


def _minutes(text: str, whole: int) -> float:
    """Degrees from +DDMM or +DDMMSS.

    >>> _minutes("+3403", 2), _minutes("-1181434", 3)
    (34.05, -118.24277777777777)
    """
    digits = text[1:]
    value = int(digits[:whole]) + int(digits[whole : whole + 2]) / 60 + int(digits[whole + 2 :] or 0) / 3600
    return -value if text[0] == "-" else value

"""ET, rain and the allocation's share of one evening, a second time: from the folder, nothing of the product.

Reference ET is that of the package refet over the forecast in force; crop coefficients are those of the published
table; rain is weighted by its probability. The season's water is shared out by expected demand: what the horizon will
ask, against the rest of the season at the recent ETo moved with the sun. Dates without whole weather are passed over.
"""

from __future__ import annotations

import math
import tomllib
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import refet

from tests.end_to_end.folder_reader import number, read_table, read_zones
from tests.sites import extraterrestrial_radiation

# UC Center for Landscape & Urban Horticulture Table 1, Kc by month. Mark: text.
COOL = (0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60)
WARM = (0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55)
WARM_TURF = "bermudagrass zoysiagrass seashore_paspalum st_augustinegrass buffalograss kikuyugrass".split()
CLOSE = 0.012  # [-] of ET: refet rounds its constants differently, 1 %, and files hold a digit or two
SURELY_MOIST = 0.1  # [-] of TAW: FAO-56 never lets stress begin before it
SURELY_ENTERS = 8.0  # [mm] of rain: a curve number of 86 sheds nothing of it, TR-55
RECENT = 14  # [d] whose mean is what a later date is expected to ask, by the sun


def weather_faults(folder: Path, plan: dict[str, Any]) -> tuple[list[str], int]:
    """Hold ET, rain and allocation of a plan against its folder; sentences, and how many zone-dates were judged."""
    site = tomllib.loads((folder / "site.toml").read_text(encoding="utf-8-sig"))
    night = date.fromisoformat(plan["night"])
    place = site["site"]
    latitude, elevation = float(place["latitude"]), number(place.get("elevation"))
    if elevation is None or "wind_height" in place or "method" in str(site.get("weather", "")):
        return [], 0
    days = _by_date(folder, night, latitude, elevation)
    kc = _crop(folder, latitude)
    faults, judged = [], 0
    for entry in plan["zones"]:
        micro, months = kc[entry["id"]]
        depletion = entry["before"]["depletion_mm"]
        for n, step in enumerate(entry["path"]):
            day = night + timedelta(days=n + 1)
            known = days.get(day)
            if known is not None and known[0] is not None:
                judged += 1
                asked = known[0] * months[day.month - 1] * micro
                moist = depletion <= SURELY_MOIST * entry["limits"]["taw_mm"]
                # what a date takes is no more than the roots hold, however hot it is
                held = (1 - SURELY_MOIST) * entry["limits"]["taw_mm"]
                most, least = asked * (1 + CLOSE) + 0.02, (min(asked * (1 - CLOSE), held) - 0.02 if moist else 0.0)
                if not least <= step["etc_mm"] <= most:
                    faults.append(f"{entry['id']}: ET of {day} is {step['etc_mm']:.3f} mm, the folder says {asked:.3f}")
            if known is not None and known[1] is not None:
                rain, enters = known[1], step["effective_rain_mm"]
                if enters > rain + 0.002 * (1 + rain) or (
                    _most_at_once(folder).get(day, rain) <= SURELY_ENTERS and abs(enters - rain) > 0.002 * (1 + rain)
                ):
                    faults.append(f"{entry['id']}: {enters} mm of rain enter on {day}, {rain:.3f} fall")
            depletion = step["depletion_mm"]
    return faults + _share_faults(folder, plan, site, days, kc, latitude), judged


@lru_cache(maxsize=8)
def _most_at_once(folder: Path) -> dict[date, float]:
    """Largest rain that any forecast of a date tells where it falls: what runs off is reckoned from that."""
    most: dict[date, float] = {}
    for row in read_table(folder / "forecast.csv"):
        day = date.fromisoformat(row["date"])
        most[day] = max(most.get(day, 0.0), number(row.get("rain")) or 0.0)
    return most


def _by_date(folder: Path, night: date, latitude: float, elevation: float) -> dict[date, tuple[Any, Any]]:
    """ETo and rain by date, None where not known: observed up to the evening, then the newest forecast's mean."""
    found: dict[date, tuple[Any, Any]] = {}
    for row in read_table(folder / "weather.csv"):
        day = date.fromisoformat(row["date"])
        if day <= night:
            found[day] = _eto(row, day, latitude, elevation), number(row.get("rain"))
    told = [r for r in read_table(folder / "forecast.csv") if r["issued"][:10] <= night.isoformat()]
    newest = max((r["issued"] for r in told), default="")
    members: dict[date, list[tuple[Any, Any]]] = {}
    for row in (r for r in told if r["issued"] == newest):
        day = date.fromisoformat(row["date"])
        chance = number(row.get("rain_probability"))
        rain = (number(row.get("rain")) or 0.0) * (1.0 if chance is None else chance)
        members.setdefault(day, []).append((_eto(row, day, latitude, elevation), rain))
    for day, rows in members.items():
        if day > night:
            etos = [e for e, _ in rows]
            found[day] = None if None in etos else sum(etos) / len(rows), sum(r for _, r in rows) / len(rows)
    return found


def _eto(row: dict[str, Any], day: date, latitude: float, elevation: float) -> float | None:
    """Reference ET of a date by refet; radiation by FAO-56 chapter 3 where not measured, None where more is missing."""
    if (given := number(row.get("eto"))) is not None:
        return given
    names = ("tmin", "tmax", "wind")
    tmin, tmax, wind = (number(row.get(name)) for name in names)
    low, high, mean = (number(row.get(name)) for name in ("rhmin", "rhmax", "rh"))
    if tmin is None or tmax is None or wind is None or (mean is None and (low is None or high is None)):
        return None
    full = [0.6108 * math.exp(17.27 * t / (t + 237.3)) for t in (tmin, tmax)]
    vapour = mean * sum(full) / 200 if low is None or high is None else (full[0] * high + full[1] * low) / 200
    number_of_day = day.timetuple().tm_yday
    above = float(extraterrestrial_radiation(np.array([number_of_day]), latitude)[0])
    solar, sun = number(row.get("solar")), number(row.get("sunshine"))
    if solar is None and sun is not None:
        turned = math.acos(
            -math.tan(math.radians(latitude)) * math.tan(0.409 * math.sin(2 * math.pi * number_of_day / 365 - 1.39))
        )
        solar = (0.25 + 0.5 * min(1.0, sun / (24 / math.pi * turned))) * above  # FAO-56 Eq. 34 and 35
    elif solar is None:
        solar = min(0.16 * math.sqrt(tmax - tmin), 0.75 + 2e-5 * elevation) * above  # Eq. 50 and 37
    eto = refet.Daily(
        tmin=tmin, tmax=tmax, ea=vapour, rs=solar, uz=wind, zw=2, elev=elevation, lat=latitude, doy=number_of_day,
        method="asce", rso_type="simple",
    ).eto()  # fmt: skip
    return max(0.0, float(np.ravel(eto)[0]))


def _crop(folder: Path, latitude: float) -> dict[str, tuple[float, list[float]]]:
    """Microclimate and Kc by month of every zone; months move by six south of the equator."""
    found = {}
    for row in read_table(folder / "zones.csv"):
        parts = [part.partition(":") for part in (row.get("turf") or "").split("|")]
        shares = {name.strip(): float(share.replace(",", ".")) if share else 1.0 for name, _, share in parts}
        whole = sum(shares.values())
        months = [sum(s * (WARM if n in WARM_TURF else COOL)[m] for n, s in shares.items()) / whole for m in range(12)]
        found[row["zone"]] = number(row.get("microclimate")) or 1.0, months[6:] + months[:6] if latitude < 0 else months
    return found


def _share_faults(
    folder: Path,
    plan: dict[str, Any],
    site: dict[str, Any],
    days: dict[date, tuple[Any, Any]],
    kc: dict[str, tuple[float, list[float]]],
    latitude: float,
) -> list[str]:
    """The allocation's part for this horizon, and that a hard one is not passed."""
    rule, night = site.get("allocation"), date.fromisoformat(plan["night"])
    if not rule or plan["allocation"] is None:
        return []
    ends = date.fromisoformat(str(rule["ends"]))
    nights = [date.fromisoformat(n["night"]) for n in plan["nights"]]
    recent = [night - timedelta(days=i) for i in range(RECENT)]
    ahead = [n + timedelta(days=1) for n in nights if n <= ends]
    if any(days.get(d, (None,))[0] is None for d in (*recent, *ahead)):
        return []
    zones = read_zones(folder / "zones.csv", plan)

    def asked(day: date, eto: float) -> float:
        """Gross water of all zones [m3]."""
        return sum(
            eto * kc[i][0] * kc[i][1][day.month - 1] * z.area / 1000 * (z.flow * 3600 / z.area) / (60 * z.net)
            for i, z in zones.items()
        )

    sun = lambda dates: extraterrestrial_radiation(np.array([d.timetuple().tm_yday for d in dates]), latitude)  # noqa: E731
    usual = sum(days[d][0] for d in recent) / RECENT / float(sun(recent).mean())
    later = [nights[-1] + timedelta(days=i) for i in range(2, (ends - nights[-1]).days + 2)]
    near = sum(asked(d, days[d][0]) for d in ahead)
    rest = sum(asked(d, usual * float(s)) for d, s in zip(later, sun(later), strict=True)) if later else 0.0
    left = max(0.0, plan["allocation"]["volume_m3"] - plan["allocation"]["used_m3"])
    share = left * near / (near + rest) if near + rest > 0 else left
    faults = []
    if abs(share - plan["allocation"]["share_this_horizon_m3"]) > 0.01 * share + 1e-3:
        stated = plan["allocation"]["share_this_horizon_m3"]
        faults.append(f"allocation: {stated} m3 for this horizon, by expected demand {share:.3f}")
    planned = sum(n["volume_m3"] for n in plan["nights"])
    if not rule.get("tier") and planned > 1.01 * share + 1e-3:
        faults.append(f"allocation: {planned:.3f} m3 planned, {share:.3f} are this horizon's")
    return faults

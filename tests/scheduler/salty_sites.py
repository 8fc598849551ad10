"""Small invented sites on salty water, with a season of plain weather, for the tests of salinity."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from models.textures import TEXTURES
from scheduler.plan.inputs import NightInputs, night_inputs
from scheduler.salinity.candidates import FlushCandidates
from scheduler.salinity.evening import SaltState, salt_state
from scheduler.salinity.flushes import flush_needs
from scheduler.site import Site
from scheduler.site.windows import night_windows
from scheduler.state.demand import Demand, evening_demand
from scheduler.state.evening import StartState, starting_state
from scheduler.supply import net_rates
from tests.scheduler.site_folders import site, write

HEAD = """[site]
name = "Salt Flat"
latitude = 34.0
longitude = -117.0
elevation = 100
time_zone = "America/Los_Angeles"
units = "metric"

[window]
opens = "21:00"
closes = "05:00"
"""
PUMP = """
[[pump]]
name = "station"
capacity = 20
"""
NIGHT = date(2026, 7, 14)
PASTE = TEXTURES["sand_rootzone"].paste  # [m3/m3]


def source(name: str = "reclaimed", ec: float = 1.4) -> str:
    """A water source for site.toml."""
    return f'\n[[source]]\nname = "{name}"\nec = {ec}\n'


def zones_csv(*rows: str) -> str:
    """zones.csv from `zone,surface,turf,sources[,drained]` rows on 20 cm of sand without gravel under it."""
    head = "zone,surface,turf,sources,drained,soil,root_depth,area,flow,application_rate,du_lq,over_gravel\n"
    lines = [row + ("," if row.count(",") == 3 else "") + ",sand_rootzone,20,450,1.5,12,1.0,no" for row in rows]
    return head + "\n".join(lines) + "\n"


GREENS = zones_csv(
    "G1,green,creeping_bentgrass,reclaimed",
    "G2,green,creeping_bentgrass,reclaimed",
    "G3,green,creeping_bentgrass,reclaimed",
)


def weather_csv(days: int, eto: float = 5.0, last: date = NIGHT, rain: dict[date, float] | None = None) -> str:
    """weather.csv that gives ETo itself."""
    dates = [last - timedelta(days=days - 1 - i) for i in range(days)]
    return "date,eto,rain\n" + "".join(f"{d},{eto},{(rain or {}).get(d, 0)}\n" for d in dates)


def forecast_csv(eto: float = 5.0, rain: dict[int, float] | None = None, issued: date = NIGHT, days: int = 9) -> str:
    """forecast.csv issued on the evening; `rain` by days ahead."""
    rows = (f"{issued}T17:00,{issued + timedelta(days=i)},{eto},{(rain or {}).get(i, 0)}\n" for i in range(1, days + 1))
    return "issued,date,eto,rain\n" + "".join(rows)


def bulk_ec(ece: float, moisture: float, temperature: float, paste: float = PASTE) -> float:
    """Bulk EC a perfect probe reads [dS/m], in the sand root zone unless told, written out apart from the product.

    Hilhorst (2000) turned round, over Topp et al. (1980) and the temperature fit of Corwin & Lesch (2005).
    """
    pore = ece * paste / moisture
    eps = np.linspace(1.0, 60.0, 59001)
    printed = -5.3e-2 + 2.92e-2 * eps - 5.5e-4 * eps**2 + 4.3e-6 * eps**3  # what a sensor makes of its permittivity
    above = float(np.interp(moisture, printed, eps)) - 4.1
    to_25 = 0.4470 + 1.4034 * float(np.exp(-temperature / 26.815))
    return pore * above / (80.3 - 0.37 * (temperature - 20.0)) / to_25


def probes_csv(readings: dict[str, float], at: date = NIGHT, moisture: float = 0.18) -> str:
    """probes.csv rows of perfect probes at 6, 12 and 18 h: ECe by probe."""
    rows = [
        f"{at}T{h:02d}:00,{probe},{moisture},{bulk_ec(ece, moisture, 20.0):.6f},20\n"
        for h in (6, 12, 18)
        for probe, ece in readings.items()
    ]
    return "".join(rows)


PROBE_HEAD = "time,probe,moisture,ec,temperature\n"
PROBE_SITES = "probe,zone,depth,from,until\n" + "".join(
    f"{z}-{d},{z},{d},2026-01-01,\n" for z in ("G1", "G2", "G3") for d in (5, 15)
)


_read: dict[tuple[Any, ...], Site] = {}
_evenings: dict[tuple[Any, ...], Any] = {}


def salty(folder: Path, toml: str = HEAD + PUMP + source(), zones: str = GREENS, **files: str) -> Site:
    """A site of three greens on reclaimed water; series by name. Files of the same text are read once."""
    files = {"weather": weather_csv(40), "forecast": forecast_csv(), **files}
    text = (toml, zones, *sorted(files.items()))
    if text not in _read:
        _read[text] = site(folder, toml, zones, **files)
    return replace(_read[text], folder=write(folder, toml, zones, **files))


def evening(place: Site, night: date = NIGHT) -> tuple[Demand, StartState, SaltState, NightInputs]:
    """Everything an evening knows before it plans; the same site's is worked out once."""
    parts = [getattr(place, field.name) for field in fields(place) if field.name != "folder"]
    same = (night, *map(id, parts))
    if same not in _evenings:
        _evenings[same] = parts, _evening(place, night)  # what is kept cannot give its place to another
    return _evenings[same][1]


def _evening(place: Site, night: date) -> tuple[Demand, StartState, SaltState, NightInputs]:
    opens, _ = place.window.of(night)
    demand = evening_demand(place, night, place.nights)
    state = starting_state(place, night, opens, demand, net_rates(place))
    salt = salt_state(place, night, opens, demand, state)
    inputs = night_inputs(place, night, night_windows(place, night, place.nights), demand, state)
    return demand, state, salt, inputs


def with_ece(salt: SaltState, ece: list[list[float]]) -> SaltState:
    """The same evening with ECe by zone and layer as given, and sure."""
    return replace(salt, ece=np.array(ece, dtype=float), spread=np.zeros(len(ece)))


def flush_candidates(place: Site, salt: SaltState, inputs: NightInputs) -> FlushCandidates:
    """The zones in question, of the arrays of an evening."""
    return flush_needs(place, salt, inputs.plan, inputs.dates, inputs.depletion_fraction)

"""Evenings of a small site written by hand, planned and published, for tests of what an evening says of itself."""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from scheduler.evening import plan_tonight, publish
from scheduler.nights import out_folder
from scheduler.site import Site, load_site
from tests.scheduler.site_folders import TOML, site

NIGHT = date(2026, 7, 14)
HEAD = (
    "zone,surface,turf,soil,root_depth,area,flow,application_rate,du_lq,field_capacity,wilting_point,branch,controller\n"
)
WINDOW = '[window]\nopens = "21:00"\ncloses = "05:00"\n'
PUMP = """[[pump]]
name = "station"
capacity = {}
head = 60
[[branch]]
name = "loop"
pump = "station"
[[controller]]
name = "box"
"""


def zones(*named: str) -> str:
    """Zones of 1000 m2, 12 mm/h even over the zone (0.2 mm/min, 3.333 L/s) and 45 mm of TAW; `G1 green` and so on."""
    rows = (name.split() for name in named)
    return HEAD + "".join(f"{z},{s},tall_fescue,loam,30,1000,3.3333,12,1.0,0.25,0.10,loop,box\n" for z, s in rows)


def weather(days: int = 10, eto: float = 5.0) -> str:
    """weather.csv of one ETo, without rain."""
    return "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},{eto},0\n" for d in range(days - 1, -1, -1))


def log(minutes: float, *names: str, nights: int = 9) -> str:
    """applied.csv of the same minutes every night."""
    rows = (f"{NIGHT - timedelta(days=d)},{z},{minutes}\n" for d in range(nights, 0, -1) for z in names)
    return "night,zone,minutes\n" + "".join(rows)


def hand_site(folder: Path, *named: str, toml: str = "", capacity: float = 20.0, nights: int = 3, **files: str) -> Site:
    """A site of one pump; zones as `zones` takes them."""
    head = TOML + f"[planning]\nnights = {nights}\n" + WINDOW + PUMP.format(capacity) + toml
    return site(folder, head, zones(*named), **{"weather": weather(), **files})


def planned(place: Site, night: date = NIGHT) -> dict[str, Any]:
    """Plan and publish an evening; plan.json as any program reads it."""
    made = datetime(night.year, night.month, night.day, 18, tzinfo=place.time_zone)
    publish(place, plan_tonight(place, night, made), out_folder(place, night))
    return json.loads((out_folder(place, night) / "plan.json").read_text(encoding="utf-8"))


def again(place: Site) -> Site:
    """The site read anew."""
    return load_site(place.folder)

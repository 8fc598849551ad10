"""The columns of every file of a site folder: kind, unit, and what is physically possible.

A number outside of the limits here cannot be true of any site and is a problem; what is only unlikely becomes a note
where the tables are put together (`scheduler.site.zones`, `scheduler.site.series`). Probes are the exception: sensors
fail, so a reading that cannot be true is set aside and counted.
"""

from __future__ import annotations

from models.runoff import GROUP_CURVE_NUMBER
from models.textures import TEXTURES
from scheduler.site.cells import Column
from scheduler.site.records import AREA_CLASSES, EVENTS, METER_KINDS, SURFACES

ZONES = (
    Column("zone", "id", required=True, filled=True),
    Column("name", "text"),
    Column("surface", "choice", choices=SURFACES, required=True, filled=True),
    Column("class", "choice", choices=AREA_CLASSES),
    Column("place", "text"),
    Column("x", unit="m", low=-1e7, high=1e7, example="120"),
    Column("y", unit="m", low=-1e7, high=1e7, example="340"),
    Column("latitude", unit="deg", low=-90, high=90, example="34.6"),
    Column("longitude", unit="deg", low=-180, high=180, example="-116.9"),
    Column("turf", "text"),
    Column("soil", "choice", choices=tuple(TEXTURES)),
    Column("field_capacity", low=0.01, high=0.8, example="0.25", maybe_percent=True),
    Column("wilting_point", low=0.0, high=0.6, example="0.12", maybe_percent=True),
    Column("root_depth", unit="m", default_unit="cm", low=0.01, high=3.0, example="15"),
    Column("area", unit="m2", above=0, high=1e7, required=True, filled=True, example="450"),
    Column("flow", unit="L/s", above=0, high=1000, example="1.5"),
    Column("application_rate", unit="mm/h", above=0, high=500, example="12"),
    Column("du_lq", above=0, high=1, example="0.7", maybe_percent=True),
    Column("branch", "id"),
    Column("pump", "id"),
    Column("controller", "id"),
    Column("station", "id"),
    Column("sources", "text"),
    Column("exposure", "id"),
    Column("slope", unit="%", low=0, high=200, example="4"),
    Column("drained", "flag"),
    Column("over_gravel", "flag"),
    Column("hydrologic_group", "choice", choices=tuple(GROUP_CURVE_NUMBER)),
    Column("infiltration", unit="mm/h", above=0, high=2000, example="15"),
    Column("max_run", unit="min", above=0, high=1440, example="60"),
    Column("smallest_run", unit="min", low=0, high=240, example="4"),
    Column("longest_cycle", unit="min", above=0, high=1440, example="8"),
    Column("soak", unit="min", low=0, high=1440, example="30"),
    Column("microclimate", above=0, high=5, example="1.1"),
    Column("formerly", "text"),
)

_DAY = (
    Column("tmin", unit="degC", low=-60, high=60, example="14.5"),
    Column("tmax", unit="degC", low=-60, high=60, example="27"),
    Column("rhmin", unit="%", low=0, high=105, example="35"),
    Column("rhmax", unit="%", low=0, high=105, example="85"),
    Column("rh", unit="%", low=0, high=105, example="60"),
    Column("wind", unit="m/s", low=0, high=60, example="2.1"),
    Column("solar", unit="MJ/m2/d", low=0, high=50, example="24"),
    Column("sunshine", unit="h", low=0, high=24, example="9.5"),
    Column("rain", unit="mm", low=0, high=2000, example="4.2"),
    Column("eto", unit="mm", low=0, high=25, example="5.1"),
)
WEATHER = (Column("date", "date", required=True, filled=True), *_DAY)
FORECAST = (
    Column("issued", "time", required=True, filled=True),
    Column("date", "date", required=True, filled=True),
    Column("member", "id"),
    *_DAY,
    Column("rain_probability", low=0, high=1, example="0.4", maybe_percent=True),
)
PROBES = (
    Column("time", "time", required=True, filled=True),
    Column("probe", "id", required=True, filled=True),
    Column("moisture", low=0, high=1, example="0.18", set_aside=True, maybe_percent=True),
    Column("ec", unit="dS/m", low=0, high=50, example="0.8", set_aside=True),
    Column("temperature", unit="degC", low=-40, high=80, example="19", set_aside=True),
    Column("permittivity", low=1, high=100, example="18", set_aside=True),
)
PROBE_SITES = (
    Column("probe", "id", required=True, filled=True),
    Column("zone", "id", required=True, filled=True),
    Column("depth", unit="cm", low=0, high=300, example="10"),
    Column("from", "date"),
    Column("until", "date"),
)
APPLIED = (
    Column("night", "date", required=True, filled=True),
    Column("zone", "id", required=True, filled=True),
    Column("minutes", unit="min", low=0, high=2880, example="14"),
    Column("volume", unit="m3", low=0, high=1e6, example="1.8"),
    Column("note", "text"),
)
CALENDAR = (
    Column("from", "date", required=True, filled=True),
    Column("until", "date"),
    Column("surface", "choice", choices=SURFACES),
    Column("zone", "id"),
    Column("target", "id", also=("surface or zone", "surface_or_zone")),
    Column("event", "choice", choices=EVENTS, required=True, filled=True),
    Column("note", "text"),
)
SAMPLES = (
    Column("date", "date", required=True, filled=True),
    Column("zone", "id", required=True, filled=True),
    Column("depth", unit="cm", low=0, high=300, example="10"),
    Column("ece", unit="dS/m", low=0, high=150, example="4.1"),
)
EDITS = (
    Column("night", "date", required=True, filled=True),
    Column("zone", "id", required=True, filled=True),
    Column("minutes", "text", required=True, filled=True, also=("word",)),
    Column("note", "text"),
)
METER = (
    Column("time", "time", required=True, filled=True, utc=True),
    Column("meter", "id", required=True, filled=True),
    Column("reading", unit="m3", low=0, required=True, filled=True, example="482.5"),
    Column("source", "id"),
    Column("kind", "choice", choices=METER_KINDS),
    Column("rolls_over_at", unit="m3", above=0, example="1000"),
    Column("note", "text"),
)

FILES = {
    "zones": ZONES,
    "weather": WEATHER,
    "forecast": FORECAST,
    "probes": PROBES,
    "probe_sites": PROBE_SITES,
    "applied": APPLIED,
    "calendar": CALENDAR,
    "samples": SAMPLES,
    "meter": METER,
    "edits": EDITS,
}

"""What people call the columns and surfaces of their own tables, and what each is here (grasses: `site.trade_words`).

Trade terms only; a word that is not here is kept out and told.
"""

from __future__ import annotations

import difflib

from scheduler.site.trade_words import bare

HEADERS = {
    "zone": ("zone", "zone id", "zone no", "zone number", "id", "zone code"),
    "name": ("name", "zone name", "description", "label", "station name", "location", "area name"),
    "surface": ("surface", "surface type", "area type", "turf area", "zone type", "use", "category"),
    "place": ("place", "hole", "hole no", "hole number", "pitch", "field", "block", "section", "part of the grounds"),
    "turf": ("turf", "grass", "turf type", "grass type", "turfgrass", "species", "grass species", "turf species"),
    "soil": ("soil", "soil type", "texture", "soil texture", "rootzone", "root zone mix"),
    "root_depth": ("root depth", "roots", "rooting depth", "root zone depth", "depth of roots", "rootzone depth"),
    "area": ("area", "size", "zone area", "irrigated area", "square feet", "sq ft", "sqft", "square metres", "acres"),
    "flow": ("flow", "flow rate", "zone flow", "station flow", "gpm", "gal min", "lps", "l s", "m3 h", "discharge"),
    "application_rate": (
        "application rate", "precipitation rate", "precip rate", "pr", "precip", "rate", "in hr", "in h", "mm h",
        "mm hr",
    ),
    "du_lq": ("du lq", "du", "dulq", "uniformity", "distribution uniformity", "lower quarter du"),
    "branch": ("branch", "loop", "lateral", "main line", "mainline", "pipe"),
    "pump": ("pump", "pump station"),
    "controller": ("controller", "satellite", "field controller", "box"),
    "station": ("station", "station no", "station number", "address", "valve", "valve no", "output"),
    "sources": ("sources", "source", "water source", "water"),
    "exposure": ("exposure", "aspect", "shade", "sun"),
    "slope": ("slope", "grade", "slope percent"),
    "drained": ("drained", "drainage", "drains", "has drains"),
    "max_run": ("max run", "max run time", "longest run", "max minutes"),
    "latitude": ("latitude", "lat"),
    "longitude": ("longitude", "lon", "long", "lng"),
    "x": ("x", "easting"),
    "y": ("y", "northing"),
    "microclimate": ("microclimate", "microclimate factor"),
    "infiltration": ("infiltration", "infiltration rate", "intake rate"),
    "field_capacity": ("field capacity", "fc"),
    "wilting_point": ("wilting point", "wp", "pwp"),
}  # fmt: skip
UNITS = {
    "sq ft": "ft2", "sqft": "ft2", "sq feet": "ft2", "square feet": "ft2", "ft2": "ft2", "sf": "ft2", "acres": "acre",
    "acre": "acre", "ac": "acre", "m2": "m2", "sq m": "m2", "sqm": "m2", "square metres": "m2", "square meters": "m2",
    "ha": "ha", "gpm": "gal/min", "gal min": "gal/min", "lps": "L/s", "l s": "L/s", "l min": "L/min", "m3 h": "m3/h",
    "in": "in", "inch": "in", "inches": "in", "cm": "cm", "mm": "mm", "ft": "ft", "feet": "ft", "m": "m",
    "in hr": "in/h", "in h": "in/h", "mm h": "mm/h", "mm hr": "mm/h", "percent": "%", "pct": "%", "min": "min",
    "minutes": "min", "deg": "deg",
}  # fmt: skip
ASSUMED = {  # unit of a column that names none, by the units of the answers
    "us": {"area": "ft2", "flow": "gal/min", "root_depth": "in", "application_rate": "in/h", "infiltration": "in/h",
           "x": "ft", "y": "ft"},
    "metric": {"area": "m2", "flow": "L/s", "root_depth": "cm", "application_rate": "mm/h", "infiltration": "mm/h",
               "x": "m", "y": "m"},
}  # fmt: skip
SURFACE_WORDS = {
    "green": ("green", "putting green", "greens"),
    "tee": ("tee", "tee box", "teebox", "tees", "teeing ground"),
    "fairway": ("fairway", "fairways", "fw", "fwy", "fway", "fairwy"),
    "approach": ("approach", "approaches", "apron", "collar", "surround", "surrounds"),
    "rough": ("rough", "roughs"),
    "pitch": ("pitch", "pitches", "football", "soccer", "field", "sports field", "infield", "outfield", "stadium"),
    "landscape": ("landscape", "bed", "beds", "shrub", "shrubs", "garden", "lawn", "lawns", "ornamental", "planting"),
}  # fmt: skip
AROUND = ("approach", "landscape", "rough")  # named beside another surface, these are meant: "surround of green 7"


def column_of(header: str) -> tuple[str, str]:
    """Give the column a header means, "" where none, and the unit it names, "" where none.

    >>> column_of("Area (sq ft)"), column_of("GPM"), column_of("Root depth, inches"), column_of("Heads")
    (('area', 'ft2'), ('flow', 'gal/min'), ('root_depth', 'in'), ('', ''))
    """
    words = bare(header)
    names = {n: column for column, known in HEADERS.items() for n in known}
    if words in names:
        return names[words], UNITS.get(words, "")
    parts = words.split()
    for count in (2, 1):  # a unit behind the name
        name, unit = " ".join(parts[:-count]), UNITS.get(" ".join(parts[-count:]))
        if name and unit:
            column = names.get(name) or _near(name, names)
            if column:
                return column, unit
    return _near(words, names), ""


def _near(words: str, names: dict[str, str]) -> str:
    """Column of the nearest known name, "" where none is near."""
    found = (
        difflib.get_close_matches(words, [n for n in names if len(n) > 3], n=1, cutoff=0.84) if len(words) > 3 else []
    )
    return names[found[0]] if found else ""


def surface_of(*texts: str) -> str:
    """Give the surface named in the first text that names one, "" where none does.

    >>> surface_of("Putting Green"), surface_of("", "7 FWY left"), surface_of("Bed 3 by the road"), surface_of("G7")
    ('green', 'fairway', 'landscape', '')
    """
    for text in texts:
        words = f" {bare(text)} "
        hits = [(words.find(f" {w} "), s) for s, known in SURFACE_WORDS.items() for w in known if f" {w} " in words]
        if hits:
            named = {s for _, s in hits}
            return next((s for s in AROUND if s in named), min(hits)[1])
    return ""

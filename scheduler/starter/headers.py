"""What people call the columns, surfaces, grasses and soils of their own tables, and what each is here.

Trade terms only; a word that is not here is kept out and told.
"""

from __future__ import annotations

import difflib
import re

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
TURF_WORDS = {
    "bent": "creeping_bentgrass", "bentgrass": "creeping_bentgrass", "creeping bent": "creeping_bentgrass",
    "poa": "annual_bluegrass", "poa annua": "annual_bluegrass", "bermuda": "bermudagrass", "couch": "bermudagrass",
    "rye": "perennial_ryegrass", "ryegrass": "perennial_ryegrass", "perennial rye": "perennial_ryegrass",
    "bluegrass": "kentucky_bluegrass", "kentucky blue": "kentucky_bluegrass", "fescue": "tall_fescue",
    "fine fescue": "fine_fescue", "zoysia": "zoysiagrass", "paspalum": "seashore_paspalum",
    "st augustine": "st_augustinegrass", "buffalo": "buffalograss", "kikuyu": "kikuyugrass",
}  # fmt: skip
SOIL_WORDS = {
    "sand based": "sand_rootzone", "sand base": "sand_rootzone", "sand root zone": "sand_rootzone",
    "sand rootzone": "sand_rootzone", "built sand": "sand_rootzone", "push up": "loam", "native": "loam",
}  # fmt: skip


def bare(text: str) -> str:
    """Give a header or word without case, marks and extra spaces.

    >>> bare("Area (sq. ft)"), bare("Station_No."), bare("m³/h")
    ('area sq ft', 'station no', 'm3 h')
    """
    text = text.casefold().replace("²", "2").replace("³", "3").replace("%", " percent ")
    return " ".join(re.sub(r"[^0-9a-z]+", " ", text).split())


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


def turf_of(text: str) -> str:
    """Give a turf key, or a mix in equal shares, for what people write; the text as it is where it is not known.

    >>> turf_of("Bent / Poa"), turf_of("Bermuda"), turf_of("tall_fescue")
    ('creeping_bentgrass:0.5|annual_bluegrass:0.5', 'bermudagrass', 'tall_fescue')
    """
    if ":" in text or "|" in text:
        return text
    parts = [p for p in re.split(r"\s*(?:/|&|\+|,|\band\b)\s*", text.strip()) if p]
    keys = [TURF_WORDS.get(bare(p), bare(p).replace(" ", "_")) for p in parts]
    return "|".join(f"{k}:{1 / len(keys):g}" for k in keys) if len(keys) == 2 else (keys[0] if len(keys) == 1 else text)


def soil_of(text: str) -> str:
    """Give a soil key for what people write; the text as it is where it is not known.

    >>> soil_of("Sandy Loam"), soil_of("sand-based")
    ('sandy_loam', 'sand_rootzone')
    """
    return SOIL_WORDS.get(bare(text), bare(text).replace(" ", "_"))

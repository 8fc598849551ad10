"""What people call grasses and soils, and what each is here. Trade terms only; any other word stays as it is."""

from __future__ import annotations

import re

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

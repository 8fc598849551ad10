"""Where on the grounds a zone lies: its hole, pitch or part, as written, else as its name tells."""

from __future__ import annotations

import re

import numpy as np

PLACE = re.compile(r"\b(hole|field|court|lawn|plot|block|section|area|no\.?)\s*#?\s*([0-9]+[a-z]?)\b", re.IGNORECASE)
SURFACE_WORD = re.compile(
    r"\b(green|tee|fairway|fw|approach|apron|rough|landscape|bed|zone|station)s?\b", re.IGNORECASE
)
NUMBER = re.compile(r"(?<![0-9])0*([0-9]{1,3})(?![0-9])")


def place_of(zone: np.ndarray, name: np.ndarray, written: np.ndarray) -> np.ndarray:
    """Place of each zone, shape (Z,) of str: as written, else guessed from its name, else "".

    Parameters
    ----------
    zone, name : ndarray (Z,)   Ids and names.
    written : ndarray (Z,)      Column `place`, "" where empty.
    """
    guessed = [own or guess(str(n), str(z)) for own, n, z in zip(written, name, zone, strict=True)]
    return np.array(guessed, dtype=object)


def guess(name: str, zone: str) -> str:
    """Guess a place from a name.

    >>> guess("hole 7 fairway tee end", "F22"), guess("Green 12", "G12"), guess("east training pitch 3", "E3")
    ('hole 7', 'hole 12', 'east training pitch')
    >>> guess("practice green", "PG"), guess("landscape 4", "L4")
    ('practice', '')
    """
    if found := PLACE.search(name):
        return f"{found[1].lower().rstrip('.')} {found[2].lower()}"
    words = SURFACE_WORD.split(name)
    before = words[0].strip(" -,_#")
    if len(words) > 1:
        number = NUMBER.search(name)
        if not before or NUMBER.fullmatch(before):
            golf = words[1].lower() in ("green", "tee", "fairway", "fw", "approach", "apron", "rough")
            return f"hole {number[1]}" if golf and number else ""
        return before
    return re.sub(r"[\s#-]*[0-9]+$", "", name).strip() if name != zone else ""

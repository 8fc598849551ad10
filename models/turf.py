"""Turf species and mixtures: monthly crop coefficient, depletion fraction, rooting and salt tolerance.

A Kc table by species exists for few grasses under few climates; the monthly values here are those of the two season
groups, and a species differs from its group only where a source says so (none was read that does). The microclimate
factor learned for each zone takes up the rest. Every number carries its status: text (read), secondary, memory (not
confirmed), or no source.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Kc by month, January first [-]. UC Center for Landscape & Urban Horticulture Table 1, after Meyer et al. 1985; status
# text.
KC_COOL = (0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60)
KC_WARM = (0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55)
DEPLETION_COOL, DEPLETION_WARM = 0.40, 0.50  # p [-], FAO-56 Table 22, turf; status memory
SALINITY_SHARE = 0.20  # least share of a mix at which a species' salt tolerance counts [-]
SHARE_TOLERANCE = 1e-6  # how far the shares of a mix may sum from 1 [-]
SLOPE_COOL, SLOPE_WARM = (
    7.6,
    6.4,
)  # [%/(dS/m)] where a species has none: ryegrass' and bermudagrass', the steepest of their group

_CLASS = "Uddin & Juraimi 2013 Table 1 (text)"
_DUNCAN = "Carrow & Duncan 1998 (memory, low confidence)"
_MAAS = "Maas & Hoffman 1977, FAO-56 Table 23"
_GROUP_SLOPE = "slope: the season group's steepest known (no source)"


@dataclass(frozen=True)
class Species:
    """What is assumed of one turf species.

    Attributes
    ----------
    name : str                                   Common name.
    season : str                                 "cool" or "warm".
    kc_month : tuple of 12 floats                Kc, January first, northern hemisphere [-].
    depletion_fraction : float                   p at ETc 5 mm/d [-].
    root_depth_m : float                         Usual depth where the site gives none [m].
    ece_threshold : float                        ECe at which growth begins to fall [dS/m].
    ece_slope : float                            Fall of growth above it [%/(dS/m)].
    sources : mapping                            Attribute -> where its value comes from, with its status.
    """

    name: str
    season: str
    kc_month: tuple[float, ...]
    depletion_fraction: float
    root_depth_m: float
    ece_threshold: float
    ece_slope: float
    sources: Mapping[str, str]


def _species(
    name: str, season: str, root_depth_m: float, threshold: float, threshold_source: str, slope: float | None = None
) -> Species:
    cool = season == "cool"
    sources = {
        "kc_month": "UC Center for Landscape & Urban Horticulture Table 1 (text); same as season group",
        "depletion_fraction": "FAO-56 Table 22, turf of the season group (memory)",
        "root_depth_m": "common practice, no source",
        "ece_threshold": threshold_source,
        "ece_slope": _GROUP_SLOPE if slope is None else threshold_source,
    }
    return Species(
        name=name,
        season=season,
        kc_month=KC_COOL if cool else KC_WARM,
        depletion_fraction=DEPLETION_COOL if cool else DEPLETION_WARM,
        root_depth_m=root_depth_m,
        ece_threshold=threshold,
        ece_slope=slope if slope is not None else (SLOPE_COOL if cool else SLOPE_WARM),
        sources=MappingProxyType(sources),
    )


# Where a source gives only a class, the threshold is the lower bound of the most sensitive class any source gives: MS
# 3, MT 6, T 10 dS/m. Where a number and a class disagree, the number is kept and the disagreement said.
SPECIES: Mapping[str, Species] = MappingProxyType(
    {
        "annual_bluegrass": _species("annual bluegrass", "cool", 0.10, 1.5, f"{_DUNCAN}; inside class S of {_CLASS}"),
        "creeping_bentgrass": _species(
            "creeping bentgrass", "cool", 0.20, 3.7, f"{_DUNCAN}; inside class MS of {_CLASS}"
        ),
        "kentucky_bluegrass": _species(
            "Kentucky bluegrass", "cool", 0.30, 3.0, f"{_DUNCAN}; inside class MS of {_CLASS}"
        ),
        "perennial_ryegrass": _species(
            "perennial ryegrass", "cool", 0.30, 5.6, f"{_MAAS} (memory); {_CLASS} says S, below 3: not settled", 7.6
        ),
        "tall_fescue": _species(
            "tall fescue", "cool", 0.60, 3.9, f"{_MAAS} (secondary); {_CLASS} says MT, above 6: the lower is kept", 5.3
        ),
        "fine_fescue": _species(
            "fine fescue",
            "cool",
            0.35,
            3.0,
            f"lower bound of MS, chewings fescue in {_CLASS}; creeping red fescue is MT",
        ),
        "bermudagrass": _species(
            "bermudagrass",
            "warm",
            0.60,
            6.9,
            f"{_MAAS} (memory); {_CLASS}: Satiri MT agrees, Tifdwarf MS does not",
            6.4,
        ),
        "zoysiagrass": _species(
            "zoysiagrass", "warm", 0.50, 6.0, f"lower bound of MT, Zoysia matrella in {_CLASS}; Z. japonica is T"
        ),
        "seashore_paspalum": _species(
            "seashore paspalum", "warm", 0.50, 8.6, f"{_DUNCAN}; {_CLASS} says T, above 10: the lower is kept"
        ),
        "st_augustinegrass": _species("St. Augustinegrass", "warm", 0.40, 10.0, f"lower bound of T in {_CLASS}"),
        "buffalograss": _species(
            "buffalograss",
            "warm",
            0.70,
            3.0,
            f"lower bound of MS: a handbook chapter (Marcum) puts it with Kentucky bluegrass (text); {_CLASS} says MT",
        ),
        "kikuyugrass": _species(
            "kikuyugrass",
            "warm",
            0.60,
            6.0,
            "lower bound of MT: about 8 in Carrow & Duncan 1998 (memory, low confidence), no class read",
        ),
    }
)


@dataclass(frozen=True)
class Turf:
    """What a zone's turf is taken to be, one species or a mix.

    Attributes
    ----------
    kc_month : ndarray, shape (12,)              Kc, January first, at the site's hemisphere [-].
    depletion_fraction : float                   p at ETc 5 mm/d [-].
    root_depth_m : float                         Usual root depth [m].
    ece_threshold : float                        ECe limit of the most sensitive species that counts [dS/m].
    ece_slope : float                            Fall of growth above it, the same species' [%/(dS/m)].
    """

    kc_month: FloatArray
    depletion_fraction: float
    root_depth_m: float
    ece_threshold: float
    ece_slope: float


def parse_mix(text: str) -> tuple[tuple[str, float], ...]:
    """Read a species key, or shares such as `annual_bluegrass:0.9|creeping_bentgrass:0.1`.

    Parameters
    ----------
    text : str                                   One key, or `key:share` pairs separated by `|`.

    Returns
    -------
    tuple of (key, share)                        In the order written; shares [-] sum to 1 exactly to rounding.

    Raises
    ------
    ValueError                                   Unknown or repeated key, a share that is not a number above 0, or a sum
                                                 not 1.

    Examples
    --------
    >>> parse_mix("tall_fescue")
    (('tall_fescue', 1.0),)
    """
    parts = [part.strip() for part in text.split("|")]
    shares: list[tuple[str, float]] = []
    for part in parts:
        key, colon, number = (piece.strip() for piece in part.partition(":"))
        _check_key(key)
        if any(key == seen for seen, _ in shares):
            raise ValueError(f"{key!r} is named twice")
        if not colon and len(parts) > 1:
            raise ValueError(f"{key!r} has no share; write each as key:share, for example {key}:0.5")
        shares.append((key, _share(key, number) if colon else 1.0))
    total = sum(share for _, share in shares)
    if abs(total - 1.0) > SHARE_TOLERANCE:
        raise ValueError(f"the shares sum to {total:.6g}; they must sum to 1")
    return tuple((key, share / total) for key, share in shares)


def turf_of_mix(shares: Sequence[tuple[str, float]], latitude: float) -> Turf:
    """Weigh the species of a mix by their shares.

    Kc, depletion fraction and root depth are weighted; the salt limit is that of the most sensitive species with a
    share of 20 % or more (of all species, if none has that much). South of the equator the Kc months move by six.

    Parameters
    ----------
    shares : sequence of (key, share)            As `parse_mix` gives them; shares [-] above 0, sum 1.
    latitude : float                             North positive [deg].

    Returns
    -------
    Turf                                         The mix at that hemisphere.

    Raises
    ------
    ValueError                                   Unknown key, a share of 0 or less, a sum not 1, or latitude outside -90
                                                 to 90.

    Examples
    --------
    >>> mix = turf_of_mix(parse_mix("annual_bluegrass:0.1|creeping_bentgrass:0.9"), 38.0)
    >>> mix.ece_threshold, round(mix.root_depth_m, 2)
    (3.7, 0.19)
    """
    if not -90.0 <= latitude <= 90.0:
        raise ValueError(f"latitude must lie in -90 to 90 deg; got {latitude}")
    for key, share in shares:
        _check_key(key)
        if not share > 0:
            raise ValueError(f"the share of {key!r} must be above 0; got {share}")
    total = sum(share for _, share in shares)
    if abs(total - 1.0) > SHARE_TOLERANCE:
        raise ValueError(f"the shares sum to {total:.6g}; they must sum to 1")
    weights = np.array([share for _, share in shares])
    members = [SPECIES[key] for key, _ in shares]
    kc = weights @ np.array([member.kc_month for member in members])
    counted = [m for m, share in zip(members, weights, strict=True) if share >= SALINITY_SHARE - SHARE_TOLERANCE]
    sensitive = min(counted or members, key=lambda member: member.ece_threshold)
    return Turf(
        kc_month=np.roll(kc, 6) if latitude < 0 else kc,
        depletion_fraction=float(weights @ np.array([member.depletion_fraction for member in members])),
        root_depth_m=float(weights @ np.array([member.root_depth_m for member in members])),
        ece_threshold=sensitive.ece_threshold,
        ece_slope=sensitive.ece_slope,
    )


def _check_key(key: str) -> None:
    if key in SPECIES:
        return
    near = difflib.get_close_matches(key, SPECIES, n=1)
    hint = f' (did you mean "{near[0]}"?)' if near else ""
    raise ValueError(f'unknown turf "{key}"; allowed: {", ".join(SPECIES)}{hint}')


def _share(key: str, number: str) -> float:
    try:
        share = float(number)
    except ValueError:
        raise ValueError(f"the share of {key!r} is {number!r}; a number above 0 and at most 1 is allowed") from None
    if not 0.0 < share <= 1.0 + SHARE_TOLERANCE:
        raise ValueError(f"the share of {key!r} is {number!r}; a number above 0 and at most 1 is allowed")
    return share

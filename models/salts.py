"""Salts in soil water: from a probe's reading to ECe, what leaching needs, and what salinity does to turf.

Electrical conductivity stands for salt throughout, in dS/m, and at 25 degC unless a name says otherwise: ECw of applied
water, ECb bulk (soil, water and air together, as a probe reads it), ECp of pore water, ECe of the saturation extract,
the laboratory's measure. The chain is ECb -> 25 degC -> ECp (Hilhorst) -> ECe (dilution to saturation), or ECb -> ECe
by a straight line fitted on the site. Arrays are over readings or zones. Whatever a method cannot judge comes back NaN,
for the caller to record; nothing is clipped silently.

Sources: Hilhorst (2000); Topp et al. (1980); Sheets & Hendrickx (1995) corrected by Corwin & Lesch (2005); USDA
Handbook 60 (1954); Ayers & Westcot (1985), FAO Irrigation and Drainage Paper 29 rev. 1 (FAO-29); Hoffman (1980); Maas &
Hoffman (1977); Allen et al. (1998), FAO-56 chapter 8. Equations and constants below are from memory of these unless a
line says otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.textures import WETTEST_PASTE

Floats = npt.NDArray[np.float64]

# Conductivity rises about 2 % per degC; the fit's three numbers: Corwin & Lesch (2005), memory.
TEMPERATURE_BASE = 0.4470  # [-]
TEMPERATURE_SPAN = 1.4034  # [-]
TEMPERATURE_SCALE = 26.815  # [degC]
DRY_PERMITTIVITY = 4.1  # eps_0 [-], permittivity at which ECb is 0: Hilhorst (2000), value text; very soil-dependent
MOISTURE_FOR_HILHORST = 0.10  # [m3/m3] drier than this Hilhorst (2000) does not claim his relation: memory
FAO29_ROOTS = (0.4, 0.3, 0.2, 0.1)  # [-] share of ET from each quarter of the root depth, FAO-29 ch. 2
PAIR_SPREAD = 0.25  # [-] natural-log spread of one laboratory/probe pair: our prior, no source
PROBE_SPREAD = 0.30  # [-] natural-log spread of true ratios between probes: our prior, no source
# Sand over gravel, no source: in tests/physics sands for tuning read .227 m3/m3 on the wettest days of their upper half
# where the balance of salt does best with their 0.200.
SAND_HOLDS = 0.88  # [-] of that reading
SAND_SPREAD, WETTEST_SPREAD = 0.15, 0.11  # [-] natural-log spreads: of what is told (USGA: 15 to 25 %), of one reading
MOST_MORE = 0.4  # [-] natural log by which no sand of a green holds more than is told
_PERMITTIVITY = np.linspace(1.0, 60.0, 5901)  # [-]
_MOISTURE = -0.053 + _PERMITTIVITY * (0.0292 + _PERMITTIVITY * (-5.5e-4 + 4.3e-6 * _PERMITTIVITY))  # Topp Eq. 7


# ------------------------------------------------------------------------------------------ probe reading to ECe


def temperature_factor(temperature: npt.ArrayLike) -> Floats:
    """Find the factor that brings a conductivity to 25 degC, fT = 0.4470 + 1.4034 exp(-T / 26.815).

    Parameters
    ----------
    temperature : array_like
        Temperature of the soil or water [degC].

    Returns
    -------
    ndarray, same shape
        fT [-]: EC25 = fT * ECt. It gives 0.9994, not 1, at 25 degC. NaN outside 0 to 50 degC (Handbook 60 Table 15: 3
        to 47 degC). Source: Sheets & Hendrickx (1995), corrected by Corwin & Lesch (2005).
    """
    degrees = np.asarray(temperature, dtype=np.float64)
    factor = TEMPERATURE_BASE + TEMPERATURE_SPAN * np.exp(-degrees / TEMPERATURE_SCALE)
    return np.where((degrees >= 0.0) & (degrees <= 50.0), factor, np.nan)


def ec_at_25(ec: npt.ArrayLike, temperature: npt.ArrayLike) -> Floats:
    """Bring a conductivity measured at `temperature` [degC] to 25 degC [dS/m]; see `temperature_factor`."""
    return np.asarray(ec, dtype=np.float64) * temperature_factor(temperature)


def permittivity_behind_moisture(moisture: npt.ArrayLike) -> Floats:
    """Find the permittivity a sensor read when it printed a moisture: Topp's calibration turned round.

    Sensors make moisture of permittivity by th = -0.053 + 0.0292 eps - 5.5e-4 eps^2 + 4.3e-6 eps^3. Topp's other
    equation, eps = 3.03 + 9.3 th + 146 th^2 - 76.7 th^3, was fitted for itself and is not its inverse: 0.5 to 0.6 lower
    between 0.10 and 0.20 m3/m3, where that is a tenth to a third of what stands above eps_0. Ledieu et al. (1986) agree
    with this one.

    Parameters
    ----------
    moisture : array_like
        Volumetric moisture th as printed [m3/m3].

    Returns
    -------
    ndarray, same shape
        Apparent permittivity [-]; NaN outside 0 to 0.6 m3/m3. Source: Topp, Davis & Annan (1980), Eq. 7 (memory).
    """
    theta = np.asarray(moisture, dtype=np.float64)
    return np.where((theta >= 0.0) & (theta <= 0.6), np.interp(theta, _MOISTURE, _PERMITTIVITY), np.nan)


def pore_water_ec(
    bulk_ec: npt.ArrayLike,
    permittivity: npt.ArrayLike,
    temperature: npt.ArrayLike,
    dry_permittivity: float = DRY_PERMITTIVITY,
) -> Floats:
    """Turn bulk into pore water conductivity, ECp = eps_p ECb / (eps_b - eps_0), eps_p = 80.3 - 0.37 (T - 20).

    ECp comes at the temperature of ECb: give ECb at 25 degC and ECp is at 25 degC, while eps_p stays that of the soil
    as it was.

    Parameters
    ----------
    bulk_ec : array_like
        Bulk conductivity ECb [dS/m].
    permittivity : array_like
        Permittivity of the bulk soil eps_b [-], from the probe or from `permittivity_behind_moisture`.
    temperature : array_like
        Soil temperature [degC].
    dry_permittivity : float
        eps_0 [-]; 4.1 unless found for the soil.

    Returns
    -------
    ndarray
        ECp [dS/m]. NaN where eps_b is less than 1 above eps_0: too dry for the relation. Source: Hilhorst (2000), SSSAJ
        64.
    """
    bulk, eps_b, degrees = np.broadcast_arrays(
        np.asarray(bulk_ec, dtype=np.float64),
        np.asarray(permittivity, dtype=np.float64),
        np.asarray(temperature, dtype=np.float64),
    )
    above = eps_b - dry_permittivity
    water = 80.3 - 0.37 * (degrees - 20.0)
    usable = above >= 1.0
    return np.where(usable, water * bulk / np.where(usable, above, 1.0), np.nan)


def ece_from_pore_water(pore_ec: npt.ArrayLike, moisture: npt.ArrayLike, paste: npt.ArrayLike) -> Floats:
    """Dilute pore water to the saturated paste, ECe = ECp th / th_s: the same salt in the paste's water.

    No mineral dissolves on the way.

    Parameters
    ----------
    pore_ec : array_like
        ECp [dS/m] at 25 degC.
    moisture : array_like
        Moisture th of the reading [m3/m3].
    paste : array_like
        Water of the saturated paste per bulk volume of soil th_s = bulk density * SP / 100 [m3/m3]
        (`models.textures.Texture.paste`).

    Returns
    -------
    ndarray
        ECe [dS/m].

    Raises
    ------
    ValueError
        A paste of 0 or less, or above 2 m3/m3.
    """
    full = np.asarray(paste, dtype=np.float64)
    if np.any(full <= 0.0) or np.any(full > WETTEST_PASTE):
        raise ValueError(f"paste: must be above 0 and at most {WETTEST_PASTE:g} m3/m3")
    return np.asarray(pore_ec, dtype=np.float64) * np.asarray(moisture, dtype=np.float64) / full


def probe_ece(
    bulk_ec: npt.ArrayLike,
    moisture: npt.ArrayLike,
    temperature: npt.ArrayLike,
    paste: npt.ArrayLike,
    permittivity: npt.ArrayLike | None = None,
    dry_permittivity: float = DRY_PERMITTIVITY,
) -> Floats:
    """Take probe readings all the way to ECe: 25 degC, pore water, paste.

    Parameters
    ----------
    bulk_ec, moisture, temperature, paste : array_like
        ECb as read [dS/m]; moisture [m3/m3]; soil temperature [degC]; paste water [m3/m3].
    permittivity : array_like, optional
        As read [-]; NaN or not given: found from moisture, `permittivity_behind_moisture`.
    dry_permittivity : float
        eps_0 [-].

    Returns
    -------
    ndarray
        ECe [dS/m]; NaN where the soil is drier than 0.10 m3/m3 or a reading is unusable.
    """
    theta = np.asarray(moisture, dtype=np.float64)
    estimated = permittivity_behind_moisture(theta)
    given = np.full_like(estimated, np.nan) if permittivity is None else np.asarray(permittivity, dtype=np.float64)
    eps_b = np.where(np.isnan(given), estimated, given)
    pore = pore_water_ec(ec_at_25(bulk_ec, temperature), eps_b, temperature, dry_permittivity)
    return np.where(theta >= MOISTURE_FOR_HILHORST, ece_from_pore_water(pore, theta, paste), np.nan)


@dataclass(frozen=True)
class ProbeCorrections:
    """What laboratory samples say of each probe: multiply its ECe by `factor`. Arrays are over probes (K,)."""

    factor: Floats  # [-] shrunk ratio laboratory / probe
    raw_factor: Floats  # [-] the probe's own mean ratio, NaN without pairs
    weight: Floats  # [-] how far the probe's own pairs are believed, 0 (not at all) to 1
    pairs: npt.NDArray[np.int64]
    log_spread: Floats  # standard error of ln factor [-]
    prior_factor: float  # [-] what all probes share; 1 where too few probes were sampled
    prior_spread: float  # spread of ln ratio between probes [-]


def probe_corrections(
    probe: npt.ArrayLike,
    probe_ece_read: npt.ArrayLike,
    laboratory_ece: npt.ArrayLike,
    probes: int,
    pair_spread: float = PAIR_SPREAD,
    probe_spread: float = PROBE_SPREAD,
) -> ProbeCorrections:
    """Correct probes by laboratory samples: an offset per probe in ln ECe, shrunk to what all probes share.

    With y the logarithm of laboratory / probe, s^2 the variance of one pair, t^2 that between probes and m the shared
    mean: w = t^2 / (t^2 + s^2 / n), ln factor = m + w (mean y - m), standard error = sqrt(w s^2 / n) (without pairs:
    t). Prior: m = 0, t = 0.30, s = 0.25. With three or more sampled probes m and t are estimated from them (weighted
    mean; moments, the prior t counting as three probes): empirical Bayes.

    Parameters
    ----------
    probe : array_like of int, shape (n,)
        Index of the pair's probe, 0 .. probes - 1.
    probe_ece_read, laboratory_ece : array_like, shape (n,)
        ECe by the probe at the sample's depth and day, and by the laboratory [dS/m], both above 0.
    probes : int
        Number of probes K.
    pair_spread, probe_spread : float
        Prior s and t [-].

    Returns
    -------
    ProbeCorrections
        Factors and how they came about.

    Raises
    ------
    ValueError
        Unequal lengths, an index out of range, or an EC not above 0.
    """
    index = np.asarray(probe, dtype=np.int64)
    read, laboratory = np.asarray(probe_ece_read, dtype=np.float64), np.asarray(laboratory_ece, dtype=np.float64)
    if index.ndim != 1 or not index.shape == read.shape == laboratory.shape:
        raise ValueError("probe, probe_ece_read, laboratory_ece: must be one-dimensional and of equal length")
    if index.size and (index.min() < 0 or index.max() >= probes):
        raise ValueError(f"probe: indices must be 0 to {probes - 1}")
    if not (np.all(read > 0.0) and np.all(laboratory > 0.0)):
        raise ValueError("probe_ece_read, laboratory_ece: must be above 0")
    count = np.bincount(index, minlength=probes)
    sampled = count > 0
    number = np.maximum(count, 1)
    mean = np.bincount(index, weights=np.log(laboratory / read), minlength=probes) / number
    noise = pair_spread**2 / number
    shared, between = 0.0, probe_spread**2
    k = int(sampled.sum())
    if k >= 3:
        belief = 1.0 / (between + noise[sampled])
        shared = float(np.sum(belief * mean[sampled]) / belief.sum())
        seen = max(float(np.sum((mean[sampled] - shared) ** 2)) / (k - 1) - float(noise[sampled].mean()), 0.0)
        between = (3.0 * probe_spread**2 + (k - 1) * seen) / (3.0 + k - 1)
    weight = np.where(sampled, between / (between + noise), 0.0)
    error = np.sqrt(np.where(sampled, weight * noise, between))
    return ProbeCorrections(
        factor=np.exp(shared + weight * (mean - shared)),
        raw_factor=np.where(sampled, np.exp(mean), np.nan),
        weight=weight,
        pairs=count.astype(np.int64),
        log_spread=error,
        prior_factor=float(np.exp(shared)),
        prior_spread=float(np.sqrt(between)),
    )


# ------------------------------------------------------------------------------------------------------ leaching


def held_by_sand(read: npt.ArrayLike, told: npt.ArrayLike) -> Floats:
    """Water that sand over gravel holds, and salt with it, from what probes in its upper half read.

    Never less than told: sand that was never filled says nothing of what it can hold.

    Parameters
    ----------
    read : array_like, shape (K,)    A probe's moisture on its wettest days [m3/m3], above 0; at least one.
    told : array_like, shape (Z,)    Field capacity of the zones they speak for [m3/m3], above 0.

    Returns
    -------
    ndarray, shape (Z,)   [m3/m3]: their median, by as much as so many outweigh what is told.

    Examples
    --------
    >>> held_by_sand([0.26, 0.28, 0.30], [0.2]).round(3).tolist()
    [0.239]
    """
    seen, before = np.asarray(read, dtype=np.float64), np.asarray(told, dtype=np.float64)
    weight = seen.size / (seen.size + (WETTEST_SPREAD / SAND_SPREAD) ** 2)
    more = np.clip(weight * np.log(SAND_HOLDS * np.median(seen) / before), 0.0, MOST_MORE)
    return np.asarray(before * np.exp(more))


def leaching_requirement(source_ec: npt.ArrayLike, ece_allowed: npt.ArrayLike) -> Floats:
    """Find the leaching requirement for upkeep, LR = ECw / (5 ECe - ECw).

    Parameters
    ----------
    source_ec, ece_allowed : array_like
        ECw of the water and mean root zone ECe the turf may have [dS/m].

    Returns
    -------
    ndarray
        LR [-] of the water applied; NaN where the water is too salty for any amount to hold that ECe (LR would be 1 or
        more). Source: FAO-29 Eq. 9, after Rhoades (1974).
    """
    water, allowed = np.asarray(source_ec, dtype=np.float64), np.asarray(ece_allowed, dtype=np.float64)
    room = 5.0 * allowed - water
    possible = room > water
    return np.where(possible, water / np.where(possible, room, 1.0), np.nan)


def leaching_fraction(drainage: npt.ArrayLike, water_applied: npt.ArrayLike) -> Floats:
    """Find the leaching fraction achieved, LF = water drained below the roots / water that entered; else NaN."""
    below, water = np.asarray(drainage, dtype=np.float64), np.asarray(water_applied, dtype=np.float64)
    return np.where(water > 0.0, below / np.where(water > 0.0, water, 1.0), np.nan)


def boundary_concentration(fraction: npt.ArrayLike, roots: Sequence[float] = FAO29_ROOTS) -> Floats:
    """Find how much water concentrates by the bottom of each root quarter at steady state: ECsw / ECw = 1 / LF_i.

    LF_i = 1 - (1 - LF) * (share of ET taken above the boundary): FAO-29 ch. 2, the worked deep-percolation example.

    Parameters
    ----------
    fraction : array_like, shape (n,)
        Leaching fraction LF of the whole root zone [-], above 0, at most 1.
    roots : sequence of float
        Share of ET from each layer [-], top first, summing to 1.

    Returns
    -------
    ndarray, shape (n, 1 + len(roots))
        ECsw / ECw [-] at the surface (1), then at the bottom of each layer.
    """
    lf = np.atleast_1d(np.asarray(fraction, dtype=np.float64))
    if np.any(lf <= 0.0) or np.any(lf > 1.0):
        raise ValueError("fraction: must be above 0 and at most 1")
    used = np.concatenate(([0.0], np.cumsum(np.asarray(roots, dtype=np.float64))))
    used[-1] = 1.0
    return 1.0 / (1.0 - (1.0 - lf)[:, None] * used[None, :])


# ------------------------------------------------------------------------------------------------ what turf bears


def salt_stress(
    ece: npt.ArrayLike, threshold: npt.ArrayLike, slope: npt.ArrayLike, yield_response: npt.ArrayLike = 1.0
) -> Floats:
    """Find the reduction of ET by salinity in moist soil, Ks = 1 - b (ECe - ECt) / (100 Ky), kept in 0 to 1.

    Parameters
    ----------
    ece, threshold, slope : array_like
        ECt [dS/m] and b [% per dS/m]: Maas & Hoffman (1977).
    yield_response : array_like
        Ky [-]. FAO-56 Table 24 has none for turf; 1 (growth falls as ET does) is its advice for unknown crops: memory.

    Returns
    -------
    ndarray
        Ks [-]. Source: FAO-56 Eq. 90.
    """
    excess = np.asarray(ece, dtype=np.float64) - np.asarray(threshold, dtype=np.float64)
    ky = np.asarray(yield_response, dtype=np.float64)
    if np.any(ky <= 0.0):
        raise ValueError("yield_response: must be above 0")
    return np.clip(1.0 - np.asarray(slope, dtype=np.float64) * excess / (100.0 * ky), 0.0, 1.0)


def raised_moisture_floor(taw: npt.ArrayLike, p: npt.ArrayLike, salt: npt.ArrayLike) -> Floats:
    """Find the depletion not to pass where salt stresses the turf, D* = RAW - (1 - Ks_salt) (1 - p) TAW, not below 0.

    Derivation (ours; status: computed, no source). Without salt, stress begins at D = RAW. By Eq. 84 each mm of
    depletion beyond RAW lowers Ks by 1 / ((1 - p) TAW), so the salt stress 1 - Ks_salt weighs as much as (1 -
    Ks_salt)(1 - p) TAW of further drying. The two are added as depletion: the turf stands where unsalted turf stands at
    RAW once D + (1 - Ks_salt)(1 - p) TAW = RAW. (Equal Ks cannot be the rule: with salt, Eq. 91 stays below 1 even at
    field capacity.)

    Parameters
    ----------
    taw, p, salt : array_like
        Total available water [mm]; depletion fraction [-]; Ks by `salt_stress` [-].

    Returns
    -------
    ndarray
        D* [mm], at most RAW = p TAW.
    """
    total, share = np.asarray(taw, dtype=np.float64), np.asarray(p, dtype=np.float64)
    return np.maximum(share * total - (1.0 - np.asarray(salt, dtype=np.float64)) * (1.0 - share) * total, 0.0)


def days_to_threshold(ece: npt.ArrayLike, trend: npt.ArrayLike, threshold: npt.ArrayLike) -> Floats:
    """Find the days until `ece` [dS/m] passes `threshold` at `trend` [dS/m/d]: 0 if it has, infinite if never."""
    now, rate, limit = np.broadcast_arrays(
        np.asarray(ece, dtype=np.float64), np.asarray(trend, dtype=np.float64), np.asarray(threshold, dtype=np.float64)
    )
    days = np.divide(limit - now, rate, out=np.full(now.shape, np.inf), where=rate > 0.0)
    return np.where(now >= limit, 0.0, days)

"""How deep a flush must go, how far the largest goes, and what it spares: salt, water and layers alone."""

from __future__ import annotations

import numpy as np

from models.choices import FLUSH
from models.flushing import flush_depth
from models.layers import LayeredState, Layers, ece_of, some_layers, standing_ece, state_from_ece
from models.salt_balance import lead_in
from models.salts import salt_stress


def working_limit(threshold: np.ndarray, floor: np.ndarray, rise: np.ndarray, left: np.ndarray) -> np.ndarray:
    """Mean ECe above which a zone asks for a flush [dS/m]: the turf's threshold, or what its water allows.

    The largest flush takes a zone from L to floor + left (L - floor), as the layers are linear in salt; it lasts
    `FLUSH.least_rest` days where L >= floor + FLUSH.least_rest rise / (1 - left).

    Parameters
    ----------
    threshold, floor : ndarray (Z,)   The turf's limit; what endless flushing with the best water ends at [dS/m].
    rise : ndarray (Z,)               Daily rise of the mean ECe under plain upkeep [dS/m/d].
    left : ndarray (Z,)               Share of the salt above the floor that the largest flush leaves [-].
    """
    lasts = floor + FLUSH.least_rest * rise / (1.0 - left)
    return np.maximum(threshold, np.maximum(FLUSH.floor_margin * floor, lasts))


def left_by_largest(layers: Layers) -> np.ndarray:
    """Share of evenly spread salt that the largest flush leaves, with clean water (Z,) [-]."""
    even = state_from_ece(layers, np.zeros(layers.zones), 1.0)
    return standing_ece(
        layers, ece_of(layers, lead_in(layers, even, FLUSH.largest_share * layers.full_water.sum(axis=1), 0.0))
    )


def flush_drainage(
    part: Layers, before: LayeredState, target: np.ndarray, open_ec: np.ndarray, most: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Drainage with each supply (F, K) [mm], the ECe it reaches (F,), and whether one flush is not enough (F,).

    Where a supply that could reach the target in the end does not do so within `most`, one flush goes as far as the
    poorest of such supplies takes it: otherwise every such flush would be left to the best water alone.
    """
    best_ec = open_ec.min(axis=1)
    widest = float((most / (1000.0 * part.depth)).max()) * 1.01
    share = (part.field_capacity / part.paste).mean(axis=1)
    able = (FLUSH.target_margin * open_ec * share[:, None] <= target[:, None] + 1e-9) | (open_ec == best_ec[:, None])
    able &= np.isfinite(open_ec)
    needed, reach = np.full(open_ec.shape, np.nan), np.full(open_ec.shape, np.nan)
    for k in np.flatnonzero(able.any(axis=0)):
        rows = np.flatnonzero(able[:, k])
        some = (some_layers(part, rows), LayeredState(before.depletion[rows], before.salt[rows]))
        found = flush_depth(*some, target[rows], open_ec[rows, k], largest_relative_depth=widest)
        needed[rows, k] = np.where(found.drainage <= most[rows], found.drainage, np.nan)
        led = lead_in(*some, some[1].total_depletion + most[rows], open_ec[rows, k])
        reach[rows, k] = standing_ece(some[0], ece_of(some[0], led))
    staged = (able & np.isnan(needed)).any(axis=1)
    if not staged.any():
        return needed, target, staged
    target = np.where(staged, np.where(able, reach, 0.0).max(axis=1), target)
    poorest = np.where(able, reach, 0.0).argmax(axis=1)
    for k in np.flatnonzero((able & staged[:, None]).any(axis=0)):
        rows = np.flatnonzero(able[:, k] & staged)
        some = (some_layers(part, rows), LayeredState(before.depletion[rows], before.salt[rows]))
        found = flush_depth(*some, target[rows] + 1e-6, open_ec[rows, k], largest_relative_depth=widest)
        needed[rows, k] = np.where(poorest[rows] == k, most[rows], np.minimum(found.drainage, most[rows]))
    return needed, target, staged


def avoidable(
    ece: np.ndarray, limit: np.ndarray, target: np.ndarray, threshold: np.ndarray, slope: np.ndarray
) -> np.ndarray:
    """Share of ET lost on each date because the zone was not flushed (F, T) [-]: above the limit, in its saltier part.

    Ks by FAO-56 Eq. 90 at 1.25 times the mean ECe, against Ks at 1.25 times the target.
    """
    now = salt_stress(FLUSH.saltier_part * ece, threshold[:, None], slope[:, None])
    then = salt_stress(FLUSH.saltier_part * target, threshold, slope)[:, None]
    return np.where(ece > limit[:, None], np.maximum(then - now, 0.0), 0.0)

"""Root zone of every zone through the nights: variables, water balance, stress and firmness.

Depletion is split where its price changes, `D = in_band + dry + very_dry`, each with its own width; as later parts cost
more they fill last, so no row is needed to keep the order.
"""

from __future__ import annotations

import numpy as np

from models.plan.inputs import Floats, PlanInputs
from models.plan.pens import Model, add_index, add_variables, keys
from models.plan.zone_nights import ZoneNights

DRY_SHARE = 0.5  # share of the way from the dry limit to the wilting point that counts as dry; the rest is very dry [-]


def add_root_zone(m: Model, inputs: PlanInputs, most_short: Floats) -> None:
    """Add the variables of every zone-night c = z N + n and of every run column x.

    `run_time[x]` [min]; `in_band`, `dry`, `very_dry` [mm] whose sum is the depletion at the end of the date after the
    night; `soft[c]` [mm] short of the firmness limit after watering; `drainage[c]` [mm] where rain can pass field
    capacity; `shortfall[c]` [mm] of ET the turf cannot take, where the zone can come under stress.

    Parameters
    ----------
    m : Model
    inputs : PlanInputs
    most_short : ndarray (Z, N)   Most ET the turf may be said not to take [mm].
    """
    z, n = inputs.zones, inputs.nights
    cells = z * n
    runs = inputs.runs
    longest = np.minimum(inputs.block_length[runs.night, runs.block], inputs.max_run[runs.zone])
    taw = np.repeat(inputs.taw, n)
    limit = inputs.dry_limit.ravel()
    dry_width = DRY_SHARE * (taw - limit)
    add_index(m, "C", range(cells))
    add_index(m, "X", range(runs.zone.size))
    add_variables(m, "run_time", "X", longest)
    add_variables(m, "in_band", "C", limit)
    add_variables(m, "dry", "C", dry_width)
    add_variables(m, "very_dry", "C", taw - limit - dry_width)
    add_variables(m, "soft", "C", inputs.wet_limit.ravel())

    most_drained = largest_drainage(inputs).ravel()
    add_index(m, "C_rain", np.flatnonzero(most_drained > 0))
    add_variables(m, "drainage", "C_rain", most_drained[most_drained > 0])

    stressed = largest_shortfall(inputs).ravel() > 0
    add_index(m, "C_stress", np.flatnonzero(stressed))
    add_variables(m, "shortfall", "C_stress", most_short.ravel()[stressed])


def largest_drainage(inputs: PlanInputs) -> Floats:
    """Most that can drain on each date [mm], shape (Z, N).

    The night's water stops at field capacity, so only rain above the date's ET can pass it: `max(0, Peff - ETc)`, from
    field capacity on. A zone at the wilting point takes no ET and drains `Peff - TAW`, which is more where a day's ET
    passes TAW. On every other date drainage is 0 and nothing can be gained by it.
    """
    return np.maximum(inputs.effective_rain - np.minimum(inputs.etc, inputs.taw[:, None]), 0.0)


def largest_shortfall(inputs: PlanInputs) -> Floats:
    """Most ET a zone can fail to take on each date [mm], shape (Z, N): what happens if it is never watered.

    The driest path is run with Ks of FAO-56 Eq. 84, Ks = (TAW - D) / (TAW - RAW).
    """
    depletion = inputs.depletion.copy()
    short = np.empty_like(inputs.etc)
    for n in range(inputs.nights):
        unstressed = depletion + inputs.etc[:, n] - inputs.effective_rain[:, n]
        ks = np.clip((inputs.taw - depletion) / (inputs.taw - inputs.raw[:, n]), 0.0, 1.0)
        short[:, n] = np.maximum((1.0 - ks) * inputs.etc[:, n], unstressed - inputs.taw)
        # the driest the zone can be at the next opening, so that a later bound is never too tight
        depletion = np.clip(unstressed, 0.0, inputs.taw)
    return np.asarray(np.clip(short, 0.0, inputs.etc), dtype=np.float64)


def add_balance(m: Model, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `water_balance[c]`: D[n] = D[n-1] + ETc[n] - short[n] - Peff[n] - water[n] + R[n] + flushed[n]   [mm].

    FAO-56 Eq. 85 with the net application rate, and ET reduced by the shortfall.
    """
    depletion, before = words.depletion, words.previous(words.depletion)
    demand = (inputs.etc - inputs.effective_rain).ravel()
    gone = words.drainage + words.flushed
    words.add_rows("water_balance", "C", depletion - before + words.water + words.shortfall - gone == demand)


def add_firmness(m: Model, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `firmness[c]`: D[n-1] - water[n] + soft[n] >= wet limit[n], with 0 <= soft <= wet limit   [mm].

    The bound of `soft` also keeps the night's water from passing field capacity: water above it would only drain. Not
    where a flush fills the root zone; its softness is in what choosing it costs.
    """
    before = words.previous(words.depletion)
    add_index(m, "C_firm", words.unflushed)
    firm = before - words.water + words.soft >= inputs.wet_limit.ravel()
    words.add_rows("firmness", "C_firm", firm, words.unflushed)


def add_stress(m: Model, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `stress[c]`: short[n] >= k (D[n-1] - water[n] - RAW[n]) with k = ETc[n] / (TAW - RAW[n])   [mm].

    This is ETa <= Ks ETc with Ks of FAO-56 Eq. 84 taken after the night's water; the price of a shortfall is above all
    it could save later, so it stays on the curve. After a flush the root zone is full: no stress.
    """
    before = words.previous(words.depletion)
    k = (inputs.etc / (inputs.taw[:, None] - inputs.raw)).ravel()
    curve = k * (before - words.water) - k * inputs.raw.ravel()
    at = np.intersect1d(keys(m.shortfall), words.unflushed)
    add_index(m, "C_curve", at)
    words.add_rows("stress", "C_curve", words.shortfall >= curve, at)

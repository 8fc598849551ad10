"""Root zone of every zone through the nights: variables, water balance, stress and firmness.

Depletion is split where its price changes, `D = in_band + dry + very_dry`, each with its own width; as later parts cost
more they fill last, so no row is needed to keep the order.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyomo.core as pyo

from models.plan.inputs import Floats, PlanInputs
from models.plan.rows import entries
from models.plan.zone_nights import ZoneNights

DRY_SHARE = 0.5  # share of the way from the dry limit to the wilting point that counts as dry; the rest is very dry [-]


def add_root_zone(m: pyo.ConcreteModel, inputs: PlanInputs, most_short: Floats) -> None:
    """Add the variables of every zone-night c = z N + n and of every run column x.

    `run_time[x]` [min]; `in_band`, `dry`, `very_dry` [mm] whose sum is the depletion at the end of the date after the
    night; `soft[c]` [mm] short of the firmness limit after watering; `drainage[c]` [mm] where rain can pass field
    capacity; `shortfall[c]` [mm] of ET the turf cannot take, where the zone can come under stress.

    Parameters
    ----------
    m : ConcreteModel
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
    m.C = pyo.RangeSet(0, cells - 1)
    m.X = pyo.RangeSet(0, runs.zone.size - 1)
    m.run_time = pyo.Var(m.X, bounds=(0, None))
    m.in_band = pyo.Var(m.C, bounds=(0, None))
    m.dry = pyo.Var(m.C, bounds=(0, None))
    m.very_dry = pyo.Var(m.C, bounds=(0, None))
    m.soft = pyo.Var(m.C, bounds=(0, None))
    _set_upper(m.run_time, longest)
    _set_upper(m.in_band, limit)
    _set_upper(m.dry, dry_width)
    _set_upper(m.very_dry, taw - limit - dry_width)
    _set_upper(m.soft, inputs.wet_limit.ravel())

    most_drained = largest_drainage(inputs).ravel()
    m.C_rain = pyo.Set(initialize=np.flatnonzero(most_drained > 0).tolist())
    m.drainage = pyo.Var(m.C_rain, bounds=(0, None))
    _set_upper(m.drainage, most_drained[most_drained > 0])

    stressed = largest_shortfall(inputs).ravel() > 0
    m.C_stress = pyo.Set(initialize=np.flatnonzero(stressed).tolist())
    m.shortfall = pyo.Var(m.C_stress, bounds=(0, None))
    _set_upper(m.shortfall, most_short.ravel()[stressed])


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


def add_balance(m: pyo.ConcreteModel, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `water_balance[c]`: D[n] = D[n-1] + ETc[n] - short[n] - Peff[n] - water[n] + R[n] + flushed[n]   [mm].

    FAO-56 Eq. 85 with the net application rate, and ET reduced by the shortfall.
    """
    depletion, before = words.depletion, words.previous(words.depletion)
    demand = (inputs.etc - inputs.effective_rain).ravel()
    gone = words.drainage + words.flushed
    m.water_balance = words.constraint(m.C, depletion - before + words.water + words.shortfall - gone == demand)


def add_firmness(m: pyo.ConcreteModel, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `firmness[c]`: D[n-1] - water[n] + soft[n] >= wet limit[n], with 0 <= soft <= wet limit   [mm].

    The bound of `soft` also keeps the night's water from passing field capacity: water above it would only drain. Not
    where a flush fills the root zone; its softness is in what choosing it costs.
    """
    before = words.previous(words.depletion)
    m.C_firm = pyo.Set(initialize=words.unflushed.tolist())
    firm = before - words.water + words.soft >= inputs.wet_limit.ravel()
    m.firmness = words.constraint(m.C_firm, firm, words.unflushed)


def add_stress(m: pyo.ConcreteModel, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `stress[c]`: short[n] >= k (D[n-1] - water[n] - RAW[n]) with k = ETc[n] / (TAW - RAW[n])   [mm].

    This is ETa <= Ks ETc with Ks of FAO-56 Eq. 84 taken after the night's water; the price of a shortfall is above all
    it could save later, so it stays on the curve. After a flush the root zone is full: no stress.
    """
    before = words.previous(words.depletion)
    k = (inputs.etc / (inputs.taw[:, None] - inputs.raw)).ravel()
    curve = k * (before - words.water) - k * inputs.raw.ravel()
    at = np.intersect1d(np.array(list(m.C_stress), dtype=np.int64), words.unflushed)
    m.C_curve = pyo.Set(initialize=at.tolist())
    m.stress = words.constraint(m.C_curve, words.shortfall >= curve, at)


def _set_upper(variable: Any, upper: Floats) -> None:
    """Set the upper bounds of an indexed variable in the order of its index."""
    for entry, bound in zip(entries(variable), upper.tolist(), strict=True):
        entry.upper = bound

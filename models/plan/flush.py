"""Salt flushes in the plan: which zones flush on which nights, chosen with everyone else's water.

A flush fills the root zone to field capacity and passes a depth of water below it, within one night or two in a row.
Whether it does is a yes or no, and a plain "big M" formulation of it leaves a wide gap: part of a flush every night
looks cheap. So each zone that needs a flush is written as a set of copies, one for each way it can spend the horizon
(no flush; a flush on night n; on nights n and n + 1; with this or that supply), each a whole root zone of its own
scaled by its weight, and the weights sum to 1. The relaxation is then the convex hull of what the zone can do (Balas
1998, disjunctive programming); only the limits shared with other zones tie copies together, so few are undecided.

Nothing is gained from soil physics that is not there: a flush night passes what its water has beyond filling, other
nights nothing; and until its flush a copy is kept out of the stress that water could spare it. Were it allowed, the
plan could feign ET not taken, and so a wetter root zone, wherever a flush just does not fit: what a flush saves can be
worth more than any price of lost ET. A zone that cannot be kept out of stress is flushed tonight or not at all.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from models.plan.balance import largest_drainage, largest_shortfall
from models.plan.copies import Copies
from models.plan.inputs import Floats, PlanInputs
from models.plan.limits import longest_minutes
from models.plan.pens import Model, add_index, add_rows, add_variables, columns
from models.plan.rows import Rows
from models.plan.zone_nights import ZoneNights


def add_copies(m: Model, inputs: PlanInputs, copies: Copies) -> None:
    """Add `chosen[v]`, the weight of each copy, 0 to 1, and `one_way[z]`: the weights of a zone's copies sum to 1."""
    add_index(m, "C_flush", np.flatnonzero(copies.flush.ravel()))
    if copies.open.any():
        _add_weights(m, copies)
    add_variables(m, "flushed", "C_flush")


def _add_weights(m: Model, copies: Copies) -> None:
    opened = np.flatnonzero(copies.open)
    add_index(m, "V", opened)
    add_variables(m, "chosen", "V", np.ones(opened.size))
    zones, whose = np.unique(copies.zone[opened], return_inverse=True)
    one = np.ones(zones.size)
    add_index(m, "Z_open", range(zones.size))
    add_rows(m, "one_way", "Z_open", Rows(whose, columns(m.chosen), np.ones(opened.size), one, one))


def flush_terms(m: Model, copies: Copies) -> tuple[tuple[Any, Floats], ...]:
    """What choosing costs: the harm of salt until the flush, and the softness it brings."""
    return ((m.chosen, (copies.harm + copies.softness)[copies.open]),) if copies.open.any() else ()


def add_flush_rows(m: Model, inputs: PlanInputs, copies: Copies, words: ZoneNights) -> None:
    """Add what a flush is; like all of a copy, its depth is scaled by the copy's weight.

    `flush_fills[c]`: water[n] = D[n-1] + flushed[n]: the night's water refills the root zone, the rest drains   [mm].
    `flush_depth[v]`: the flushed water sums to the depth or more; what rain will carry off was taken from it   [mm].
    `upkeep_depth[c]`: or each night with upkeep passes its own   [mm].
    """
    before, flushed = words.previous(words.depletion), words.flushed
    flushes, upkeep = np.flatnonzero(copies.flush.ravel()), np.flatnonzero(copies.each.ravel())
    words.add_rows("flush_fills", "C_flush", words.water == before + flushed, flushes)
    deep = np.flatnonzero(copies.flushing & ~copies.upkeep)
    add_index(m, "V_flush", deep)
    words.add_rows("flush_depth", "V_flush", words.over_nights(flushed) >= copies.depth, deep)
    add_index(m, "C_upkeep", upkeep)
    words.add_rows("upkeep_depth", "C_upkeep", flushed >= copies.each.ravel(), upkeep)


def add_flush_bounds(m: Model, inputs: PlanInputs, copies: Copies, words: ZoneNights) -> None:
    """Add `within_band`, `within_wet`, `within_rain`, `within_night`: bounds of a copy, scaled by its weight."""
    opened = np.repeat(copies.open, inputs.nights)
    most_drained = largest_drainage(inputs).ravel()
    cells, rainy = np.flatnonzero(opened), np.flatnonzero(opened & (most_drained > 0))
    flushes = np.flatnonzero(copies.flush.ravel() & (np.diff(inputs.runs.first) > 0))
    add_index(m, "C_open", cells)
    add_index(m, "C_open_rain", rainy)
    add_index(m, "C_open_night", flushes)
    longest = longest_minutes(inputs).ravel()
    words.add_rows("within_band", "C_open", words.of(m.in_band) <= inputs.dry_limit.ravel(), cells)
    words.add_rows("within_wet", "C_open", words.soft <= inputs.wet_limit.ravel(), cells)
    words.add_rows("within_rain", "C_open_rain", words.drainage <= most_drained, rainy)
    words.add_rows("within_night", "C_open_night", words.minutes <= longest, flushes)


def most_shortfall(inputs: PlanInputs, copies: Copies) -> Floats:
    """Most ET a copy may be said not to take [mm], shape (V, N): until its flush only what no water could spare it.

    That is asked while the flush is still to be chosen, so that no copy starves on its way to it. One that is settled
    has the room of any zone: its water before the flush may yet be held to less.
    """
    until = inputs.nights - copies.flush[:, ::-1].argmax(axis=1)
    kept_out = (copies.flushing & copies.open)[:, None] & (np.arange(inputs.nights)[None, :] < until[:, None])
    return np.where(kept_out, unavoidable_shortfall(inputs), largest_shortfall(inputs))


def unavoidable_shortfall(inputs: PlanInputs) -> Floats:
    """ET that cannot be taken whatever is watered [mm], shape (Z, N): until the first night on which a zone may run.

    The path without water, by Ks of FAO-56 Eq. 84. Later only what a full root zone lacks of a day's ET.
    """
    dark = np.cumsum(np.diff(inputs.runs.first).reshape(inputs.etc.shape), axis=1) == 0
    out = np.maximum(inputs.etc - inputs.taw[:, None], 0.0)
    depletion = inputs.depletion
    for n in range(inputs.nights):
        ks = np.clip((inputs.taw - depletion) / (inputs.taw - inputs.raw[:, n]), 0.0, 1.0)
        before = depletion - inputs.effective_rain[:, n]
        taken = np.minimum(ks * inputs.etc[:, n], np.maximum(inputs.taw - before, 0.0))
        out[:, n] = np.where(dark[:, n], inputs.etc[:, n] - taken, out[:, n])
        depletion = np.clip(before + taken, 0.0, inputs.taw)
    return out

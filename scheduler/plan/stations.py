"""Pump stations as the models see them: their curve, the friction of their branches, and what a cubic metre costs.

The linear program prices energy per cubic metre and tariff block, so that it stays linear: the head and the efficiency
of each station are those of one typical flow, a share of its capacity (`models.choices.Tonight`), with the branches
carrying the same share of theirs. What the night really uses is integrated afterwards from its flow, minute by minute
(`scheduler.document.pumping`).
"""

from __future__ import annotations

import numpy as np

from models.choices import TONIGHT
from models.hydraulics import PumpCurve, friction_head
from scheduler.site import Site
from scheduler.site.records import Pump

KWH_PER_M3 = 3.6  # [m3/h] in one L/s, so that kW / (3.6 Q) is kWh/m3


def pump_curve(pump: Pump) -> PumpCurve | None:
    """Curve of a station; one that only names the head it holds gives it at every flow. None where nothing is known."""
    if pump.curve:
        flow, head, efficiency = np.array(pump.curve).T
        return PumpCurve(flow, head, efficiency, pump.head or np.inf)
    if pump.head:
        return PumpCurve(np.zeros(1), np.array([np.inf]), np.array([pump.efficiency]), pump.head)
    return None


def resistances(site: Site) -> np.ndarray:
    """Friction of every branch, shape (R,) [m / (L/s)^1.852]."""
    return np.array([b.resistance for b in site.branches], dtype=float)


def typical_energy(site: Site) -> np.ndarray:
    """Energy for one cubic metre at the typical flow of each pump, shape (P,) [kWh/m3]; 0 where no head is known."""
    found = np.zeros(len(site.pumps))
    for p, pump in enumerate(site.pumps):
        curve = pump_curve(pump)
        if curve is None:
            continue
        own = [b for b in site.branches if b.pump == p]
        even = pump.capacity / max(len(own), 1)  # of a branch without a capacity of its own
        carried = [min(b.capacity, pump.capacity) if np.isfinite(b.capacity) else even for b in own]
        taken = [
            float(friction_head(TONIGHT.typical_flow * flow, 1.0)) * b.resistance
            for b, flow in zip(own, carried, strict=True)
        ]
        flow = np.array([TONIGHT.typical_flow * pump.capacity])
        found[p] = float(curve.power(flow, max(taken, default=0.0))[0] / (KWH_PER_M3 * flow[0]))
    return found

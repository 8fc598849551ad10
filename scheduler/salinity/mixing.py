"""What weeks of readings say of how well water leaches on this site.

No two soils give up their salt alike, and no published relation knows this one. Where both halves of a zone's roots
have probes, the balance of the last weeks is fitted to what they read (`models.leaching_fit`), by kin (same surface and
soil), shrunk to its published setting. Zones fed from below their roots are left out: there is no one f of both layers.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from models.choices import SALT
from models.kin import QUARTER_CV
from models.layers import Layers, some_layers
from models.leaching_fit import Record, fit_mixing
from scheduler.errors import counted
from scheduler.notes import Note
from scheduler.salinity.followed import Readings
from scheduler.salinity.history import SaltRun
from scheduler.site import Site


def taught_rows(layers: Layers, readings: Readings) -> np.ndarray:
    """Rows of `readings` that can teach it: both halves read on days enough, roots fed by none below them."""
    both = np.isfinite(readings.read).all(axis=1)
    return np.flatnonzero((both.sum(axis=1) >= SALT.taught_days) & ~_fed(layers)[readings.zones])


def learned_layers(
    site: Site, layers: Layers, run: SaltRun, source_ec: np.ndarray, readings: Readings, slow: float
) -> tuple[Layers, Note]:
    """Set the mixing of each zone by what its probes, or its kin's, have read.

    Parameters
    ----------
    site : Site
    layers : Layers              Of all zones.
    run : SaltRun                The balance of the `taught_rows` over the past days.
    source_ec : ndarray (Z,)     [dS/m].
    readings : Readings          Their evening readings over the dates of the run.
    slow : float                 Share of a date's ET that is taken from water above field capacity [-].

    Returns
    -------
    layers : Layers
    note : Note
    """
    both, fed = np.isfinite(readings.read).all(axis=1), _fed(layers)
    zone = readings.zones
    first = max(int(both.any(axis=0).argmax()), 1)  # the run stands at the end of its first date
    record = Record(
        depletion=run.depletion[:, first - 1],
        net_irrigation=run.depth[:, first:],
        etc=run.etc[:, first:],
        effective_rain=run.rain[:, first:],
        p=run.p[:, first:],
        source_ec=source_ec[zone],
        read=np.exp(readings.read[:, :, first:]),
        offset_spread=readings.offset_spread,
        catch_spread=(1.0 - site.zones.du_lq[zone]) / QUARTER_CV,
    )
    kin, _ = pd.factorize(pd.MultiIndex.from_arrays([site.zones.surface, site.zones.soil]))
    mixing = fit_mixing(some_layers(layers, zone), record, kin[zone], slow)
    of_kin = dict(zip(kin[zone].tolist(), mixing.tolist(), strict=True))
    learned = np.array([of_kin.get(k, np.nan) for k in range(kin.max() + 1)])[kin][:, None]
    text = f"how well water leaches is learned from what probes have read in {counted(zone.size, 'zone')}"
    return replace(layers, mixing=np.where(np.isnan(learned) | fed[:, None], layers.mixing, learned)), Note(
        "info", "salts", text
    )


def _fed(layers: Layers) -> np.ndarray:
    """Zones fed from below their roots (Z,)."""
    return (layers.emptied != layers.root_fraction).any(axis=1)

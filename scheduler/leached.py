"""What measured flushes say of how well water leaches on this site.

No two soils give up their salt alike, and no published relation knows this one. Where both halves of a zone's roots
have probes, each flush of the record shows by how much its water lowered ECe; the layered balance is fitted to that, by
kin (same surface and soil), shrunk to its published setting. Flushes are found in the log of applied water.

Measured over 75 evenings in finer soils that work differently (tests/bench/bench_reclaimed.py), ECe after a flush
against its forecast: median 1.29 and 9 % within 20 % without any of this where salt disperses most, 1.12 and 83 % with
it; 1.14 and 61 % against 1.06 and 79 % where water drains slowly; where it drains at once 0.90 against 0.87.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from models.flushing import fit_mixing
from models.layers import Layers, root_zone_ece, some_layers, state_from_ece
from scheduler.errors import counted
from scheduler.notes import Note
from scheduler.salt_readings import median_ece
from scheduler.site import Site

if TYPE_CHECKING:
    from scheduler.salinity import SaltRun

LEAST_EXCESS = 4.0  # [mm] beyond filling from which a night's water counts as a flush to learn from; our choice
LEARNED_FROM = 60  # [d] looked back; our choice
CALM = (10, 18)  # hours of a date whose readings count: after the night has drained, before the next; our choice


def learned_layers(
    site: Site,
    layers: Layers,
    run: SaltRun,
    source_ec: np.ndarray,
    corrections: dict[str, float],
    opening: pd.Timestamp,
    slow: float,
) -> tuple[Layers, Note | None]:
    """Set the mixing of each zone by the flushes that its probes, or its kin's, have seen.

    Parameters
    ----------
    site : Site
    layers : Layers              Of all zones.
    run : SaltRun                The balance over the past days.
    source_ec : ndarray (Z,)     [dS/m].
    corrections : dict           Factor on each probe's ECe.
    opening : Timestamp          Nothing read after it is used.
    slow : float                 Share of a date's ET that is taken from water above field capacity [-].

    Returns
    -------
    layers : Layers
    note : Note or None   None where nothing was learned.
    """
    row, date_of, net, depletion = _flushes(site, run, slow)
    if not row.size:
        return layers, None
    before, after = _read(site, run, row, date_of, corrections, opening)
    seen = np.isfinite(before).all(axis=1) & np.isfinite(after).all(axis=1)
    if not seen.any():
        return layers, None
    zone = run.zones[row[seen]]
    part = some_layers(layers, zone)
    kin, _ = pd.factorize(pd.MultiIndex.from_arrays([site.zones.surface, site.zones.soil]))
    state = state_from_ece(part, np.minimum(depletion[seen], part.available.sum(axis=1)), before[seen])
    mixing = fit_mixing(
        part, state, net[seen], source_ec[zone], root_zone_ece(part, after[seen]), 1.0, kin[zone]
    )  # fmt: skip
    of_kin = dict(zip(kin[zone].tolist(), mixing.tolist(), strict=True))
    learned = np.array([of_kin.get(k, np.nan) for k in range(kin.max() + 1)])[kin][:, None]
    text = (
        f"how well water leaches is learned from {counted(int(seen.sum()), 'flush', 'flushes')} that probes have seen"
    )
    learned = np.where(np.isnan(learned), layers.mixing, learned)
    return replace(layers, mixing=learned), Note("info", "salts", text)


def _flushes(site: Site, run: SaltRun, slow: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Flushes of zones with a probe in each half: row of the run, date after the night, net water, depletion before."""
    nothing = np.zeros(0, dtype=np.int64)
    if not len(site.probe_sites) or len(run.dates) < 2:
        return nothing, nothing, np.zeros(0), np.zeros(0)
    probed = np.isin(site.zones.zone[run.zones], site.probe_sites["zone"].unique())
    before = run.depletion[:, :-1]
    net = run.depth[:, 1:] - slow * run.etc[:, 1:]  # without what the date's ET takes before it drains
    flushed = (net - before >= LEAST_EXCESS) & probed[:, None]
    flushed[:, : max(flushed.shape[1] - LEARNED_FROM, 0)] = False
    row, night = np.nonzero(flushed)
    return row, night + 1, net[row, night], before[row, night]


def _read(
    site: Site, run: SaltRun, row: np.ndarray, date_of: np.ndarray, corrections: dict[str, float], opening: pd.Timestamp
) -> tuple[np.ndarray, np.ndarray]:
    """ECe by layer on the date before and after each flush (F, 2) [dS/m], NaN where no probe read it."""
    days = run.dates.to_numpy("datetime64[D]").astype(np.int64)
    time = site.probes["time"]
    taken = np.isin(time.to_numpy("datetime64[D]").astype(np.int64), np.unique(days[[date_of - 1, date_of]]))
    rows = site.probes[taken & (time <= opening).to_numpy() & site.probes["ec"].notna().to_numpy()]
    hour = rows["time"].dt.hour
    daily = median_ece(site, rows[(hour >= CALM[0]) & (hour < CALM[1])], by_day=True)
    found = np.full((run.zones.size, len(days), 2), np.nan)
    if len(daily):
        ece = daily["ece"] * daily["probe"].map(corrections).fillna(1.0)
        mean = ece.groupby([daily["z"], daily["layer"], daily["day"]]).mean()
        place = np.full(len(site.zones), -1)
        place[run.zones] = np.arange(run.zones.size)
        z, layer, day = (mean.index.get_level_values(i) for i in range(3))
        at = place[z.to_numpy(np.int64)]
        column = run.dates.get_indexer(pd.DatetimeIndex(day))
        on = (at >= 0) & (column >= 0)
        found[at[on], column[on], layer.to_numpy(np.int64)[on]] = mean.to_numpy()[on]
    return found[row, date_of - 1], found[row, date_of]

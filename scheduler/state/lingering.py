"""What the probes of each surface say of water that a deep night leaves in the roots for the next evening."""

from __future__ import annotations

import numpy as np

from models.lingering import lingering_share
from scheduler.site import Site
from scheduler.state.filtered import Filtered

LITTLE_WATER = 0.3  # [mm] past field capacity below which a night says nothing
LITTLE_RAIN = 0.5  # [mm] of rain on the date above which its evening says nothing


def lingers(site: Site, found: Filtered) -> np.ndarray:
    """Share of the water led past field capacity that is in the roots on the next evening (Z,) [-].

    Zones of a surface share what its probes say; it is 0 without any, and for sand over gravel, which has drained by
    the morning.

    Parameters
    ----------
    site : Site
    found : Filtered   What the filter made of the record.
    """
    zones, run = site.zones, found.run
    row = np.searchsorted(found.rows, found.sensors.zone)
    stood = (run.depletion - run.surplus)[:, :-1]
    before = np.column_stack((found.start, stood))[row]
    past = found.irrigation[row] - np.maximum(before, 0.0)
    past = np.where((past > LITTLE_WATER) & (found.rain[row] < LITTLE_RAIN), past, np.nan)
    swing = found.setup.gain * np.exp(run.state.log_gain)
    stored = 1000.0 * zones.fed_depth[found.sensors.zone][:, None] * found.moisture / swing[:, None]
    fed = zones.fed_depth > zones.root_depth
    stored[fed[found.sensors.zone]] = np.nan
    surfaces, group = np.unique(zones.surface.astype(str), return_inverse=True)
    share = np.zeros(surfaces.size)
    learned = lingering_share(stored, past, found.etc[row], group[found.sensors.zone])
    share[: learned.size] = learned
    return np.where(fed, 0.0, share[group])

"""Many zones of the finer soil: sub-areas that catch unequal water, state, and what may be asked of it.

A zone is four columns, each a quarter of its area, that catch the means of the quarters of a normal catch whose driest
quarter gets DU_LQ of the mean. Depths out of here are mm, moisture m3/m3, EC dS/m; zones first.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.physics import flow
from tests.physics.soils import SOILS, Profile

SUB = 4
QUARTERS = np.array([-1.2711, -0.3247, 0.3247, 1.2711])  # means of the quarters of a normal distribution
BINS = np.full(96, 1.0 / 96.0)  # d, quarters of an hour from opening time on


def catch_of(du_lq: np.ndarray) -> np.ndarray:
    """What each quarter of a zone catches over the mean (Z, 4) [-]."""
    return 1.0 + QUARTERS * ((1.0 - du_lq) / -QUARTERS[0])[:, None]


def nodes(profile: Profile) -> np.ndarray:
    """Thickness of the nodes [cm]: 1 at the top and at changes of layer, up to 5 in the deep."""
    found, top = [], 0.0
    for thick, _ in profile.layers:
        left, size = thick, 1.0
        while left > 1e-9:
            middle = top + thick - left
            widest = 1.5 if middle < 12.0 else 2.5 if middle < 40.0 else 5.0
            step = min(size, widest, left)
            if left - step < 0.5:
                step = left
            found.append(step)
            left, size = left - step, size * 1.3
        top += thick
    return np.array(found)


@dataclass
class Columns:
    """Zones of profiles; roots reach `root_depth` [cm] (Z,) with density exp(-`decline` z / depth)."""

    profiles: list[Profile]
    root_depth: np.ndarray
    decline: np.ndarray  # (Z,) [-]
    roots: np.ndarray  # (Z, 8), soils.turf_roots
    catch: np.ndarray  # (Z, 4) [-]
    start_ec: np.ndarray  # (Z,) dS/m of the paste
    dispersivity: float = 1.5  # cm beside the nodes' own
    exchange: float = 0.2  # 1/d, salt between moving and still water
    sums: np.ndarray = field(init=False)  # (Z, 4, 10) of the last day, cm
    only: np.ndarray | None = field(init=False, default=None)  # (Z, 4): quarters that are run; all if None

    def __post_init__(self) -> None:
        """Lay out the columns, filled and drained for two days, at one EC of the paste all down."""
        grids = [nodes(p) for p in self.profiles]
        z, most = len(grids), max(map(len, grids))
        shape = (z, SUB, most)
        self.count = np.array([len(g) for g in grids])
        self.dz, self.density = np.ones(shape), np.zeros(shape)
        self.soil = np.zeros((*shape, 9))
        self.paste = np.ones(shape)
        self.rooted = np.zeros(z, dtype=np.int64)
        for i, (profile, grid) in enumerate(zip(self.profiles, grids, strict=True)):
            n, bottom = len(grid), np.cumsum(grid)
            edges = np.concatenate(([0.0], bottom))
            ends = np.cumsum([thick for thick, _ in profile.layers])
            which = np.searchsorted(ends - 1e-6, 0.5 * (edges[1:] + edges[:-1]))
            used = [SOILS[profile.layers[w][1]] for w in which]
            share = np.minimum(edges / self.root_depth[i], 1.0)
            reach = 1.0 - np.exp(-self.decline[i] * share) if self.decline[i] > 0 else share
            self.dz[i, :, :n] = grid
            self.soil[i, :, :n] = [s.row for s in used]
            self.soil[i, :, n:] = used[-1].row
            self.paste[i, :, :n] = [s.paste_water for s in used]
            self.density[i, :, :n] = np.diff(reach) / reach[-1]
            self.rooted[i] = int(np.argmin(np.abs(edges - self.root_depth[i])))
        self.inside = (np.arange(most) < self.count[:, None])[:, None, :] & np.ones(shape, dtype=bool)
        self.bottom = np.cumsum(self.dz, axis=2)
        self.head = np.full(shape, -10.0)
        self.theta = np.zeros(shape)
        self.pond = np.zeros((z, SUB))
        self.seen_water, self.seen_salt = (np.zeros((z, SUB, 24, most)) for _ in range(2))
        self._fill()
        self.moving, self.held = np.zeros(shape), np.zeros(shape)
        self._day(np.zeros((z, SUB, 96)), np.zeros((z, 96)), np.zeros((z, 96)), 2)
        self.full = self.water()  # what it holds a day or two after filling, without turf
        salt = self.start_ec[:, None, None] * self.paste * self.dz * self.inside
        still = self.soil[..., flow.STILL]
        self.held = salt * still / self.theta
        self.moving = salt - self.held

    def _fill(self) -> None:
        """Start just short of saturation."""
        flat, soil, theta = self.head.ravel(), self.soil.reshape(-1, 9), self.theta.ravel()
        for i in range(flat.size):
            theta[i] = flow.water_content(flat[i], soil[i])
        self.theta = theta.reshape(self.head.shape)

    def day(self, supply: np.ndarray, rain: np.ndarray, ec: np.ndarray, demand: np.ndarray) -> None:
        """Run a day from opening time: water and rain (Z, 96) [mm a bin], EC of the water (Z,), demand (Z, 96) [mm].

        `sums` then holds the day's (Z, 4, 10) in cm, flow.RAN_IN to flow.UNLESS_WET; `seen_water` and `seen_salt` its
        hours (Z, 4, 24, L).
        """
        water = supply[:, None, :] * self.catch[:, :, None] + rain[:, None, :]
        with np.errstate(invalid="ignore", divide="ignore"):
            mixed = np.where(supply + rain > 0.0, supply * ec[:, None] / (supply + rain), np.nan)
        last = np.maximum.accumulate(np.where(np.isnan(mixed), -1, np.arange(96)), axis=1)  # what ponds is as it came
        coming = np.where(last >= 0, np.take_along_axis(mixed, np.maximum(last, 0), axis=1), 0.0)
        self._day(water, coming, demand)

    def _day(self, water: np.ndarray, coming: np.ndarray, demand: np.ndarray, days: int = 1) -> None:
        z = len(self.profiles)
        for _ in range(days):
            self.sums = np.zeros((z, SUB, 10))
            for i, q in self._runs(z):
                count = q.stop - q.start
                flow.run_columns(
                    self.head[i, q], self.theta[i, q], self.moving[i, q], self.held[i, q], self.pond[i, q],
                    self.dz[i, q], self.soil[i, q], self.density[i, q], np.repeat(self.roots[i][None], count, axis=0),
                    water[i, q] / 10.0 / BINS, np.repeat(coming[i][None], count, axis=0),
                    np.repeat(demand[i][None] / 10.0 / BINS, count, axis=0), BINS,
                    np.full(count, self.profiles[i].below), np.zeros(count), 1.0, np.full(count, self.dispersivity),
                    np.full(count, self.exchange), np.full(count, self.rooted[i]), np.full(count, self.count[i]),
                    self.sums[i, q], self.seen_water[i, q], self.seen_salt[i, q],
                )  # fmt: skip

    def _runs(self, zones: int) -> list[tuple[int, slice]]:
        """Zones and spans of their quarters to run."""
        if self.only is None:
            return [(i, slice(0, SUB)) for i in range(zones)]
        return [(int(i), slice(int(s), int(s) + 1)) for i, s in np.argwhere(self.only)]

    def within(self, top: np.ndarray, low: np.ndarray) -> np.ndarray:
        """Thickness of each node between two depths (Z,) [cm] -> (Z, 4, L)."""
        start = self.bottom - self.dz
        lowest, highest = low[:, None, None], top[:, None, None]
        return np.clip(np.minimum(self.bottom, lowest) - np.maximum(start, highest), 0.0, None) * self.inside

    def water(self, depth: np.ndarray | None = None) -> np.ndarray:
        """Water over the roots, or to a depth (Z,) [cm]: (Z, 4) [mm]."""
        depth = self.root_depth if depth is None else depth
        return 10.0 * (self.theta * self.within(np.zeros_like(depth), depth)).sum(axis=2)

    def ece(self, top: np.ndarray | None = None, low: np.ndarray | None = None) -> np.ndarray:
        """EC of the paste over the roots, or between depths (Z,) [cm]: (Z, 4) [dS/m]."""
        low = self.root_depth if low is None else low
        part = self.within(np.zeros_like(low) if top is None else top, low)
        salt = (self.moving + self.held) / self.dz * part
        return salt.sum(axis=2) / (self.paste * part).sum(axis=2)

    def band(self, zone: np.ndarray, sub: np.ndarray, top: np.ndarray, low: np.ndarray) -> tuple[np.ndarray, ...]:
        """Moisture and EC of all its water in the last day's hours, between depths [cm] of spots: each (K, 24)."""
        bottom = self.bottom[zone, sub]
        part = np.minimum(bottom, low[:, None]) - np.maximum(bottom - self.dz[zone, sub], top[:, None])
        part = np.clip(part, 0.0, None) * self.inside[zone, sub]
        part = (part / part.sum(axis=1, keepdims=True))[:, None, :]
        theta = (self.seen_water[zone, sub] * part).sum(axis=2)
        return theta, (self.seen_salt[zone, sub] * part).sum(axis=2) / theta

    def salt(self) -> np.ndarray:
        """All salt (Z, 4) [dS/m cm]."""
        return ((self.moving + self.held) * self.inside).sum(axis=2)

    def all_water(self) -> np.ndarray:
        """All water of the column with what ponds (Z, 4) [mm]."""
        return 10.0 * ((self.theta * self.dz * self.inside).sum(axis=2) + self.pond)

"""A finer soil for the tests: layers of 1 to 4 cm in steps of ten minutes, written apart from the project's own.

Water enters the top layer, and what a layer holds above field capacity drains from it by gravity, or at once; nothing
rises. Each layer is stirred, but for water that goes by its own pores. Roots take water by a pattern over the quarters
of their depth, less where a layer dries, more from the others instead. Salt moves with water, and by exchange between
neighbours and with still water. Salinity is EC of the paste: salt over the paste's water. What nobody knows of a
real soil is `Physics`, and `VARIANTS` are some a real one could have. Units: mm, dS/m, h.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

BELOW = 120.0  # mm of soil below the roots
STEP = 10  # min
STEPS = 24 * 60 // STEP
FULL_UPTAKE = 0.5  # of the water between field capacity and wilting point, above which roots take all they want [-]
MOST_DRAINED = 0.8  # of what is above field capacity in one step, so that a step stays stable [-]
MOST_SPREAD = 0.4  # of a layer's salt to its neighbour in one step [-]
DAYLIGHT = np.maximum(np.sin(np.pi * (np.arange(STEPS) * STEP / 60.0 + 12.0) / 12.0), 0.0)  # from 18:00 on; 6 to 18 h
DAYLIGHT = DAYLIGHT / DAYLIGHT.sum()


@dataclass(frozen=True)
class Physics:
    """How the finer soil works; the ranges are common practice for sands, no source, unless said."""

    layer: float = 20.0  # mm
    ks: float = 150.0  # mm/h of a sand root zone; inf: what is above field capacity goes on at once
    exponent: float = 3.0  # K = ks S^exponent
    of_pores: bool = False  # S of all pores (Campbell 1974) or of those that field capacity leaves empty
    by_pass: float = 0.0  # of the water leaving a layer, what did not mix with it [-]
    dispersivity: float = 0.0  # mm, beside what the layers themselves spread
    still: float = 0.0  # of the water at field capacity, what does not move [-]
    exchange: float = 0.1  # of still with moving water [1/h]
    roots: tuple[float, ...] = (0.4, 0.3, 0.2, 0.1)  # of ET by quarters of the root depth (FAO-29 ch. 2)


VARIANTS = {
    "gravity": Physics(),
    "fast gravity": Physics(exponent=9.0, of_pores=True),  # 2 b + 3 with b of a sand
    "at once": Physics(ks=np.inf),
    "at once 1 cm": Physics(ks=np.inf, layer=10.0),
    "at once 4 cm": Physics(ks=np.inf, layer=40.0),
    "by-pass": Physics(by_pass=0.25),
    "by-pass at once": Physics(ks=np.inf, by_pass=0.25),
    "dispersive": Physics(dispersivity=20.0),
    "still water": Physics(exponent=9.0, of_pores=True, still=0.4),
    "shallow roots": Physics(exponent=9.0, of_pores=True, roots=(0.5, 0.3, 0.15, 0.05)),
    "even roots": Physics(exponent=9.0, of_pores=True, roots=(0.25, 0.25, 0.25, 0.25)),
}


@dataclass
class FineSoil:
    """Zones of a sandy root zone, each (Z,): roots [m], FC, WP, pores and paste [m3/m3]."""

    roots: np.ndarray
    field_capacity: np.ndarray
    wilting_point: np.ndarray
    saturation: np.ndarray
    paste: np.ndarray
    start_ece: np.ndarray
    physics: Physics = field(default_factory=Physics)
    water: np.ndarray = field(init=False)  # (Z, L) mm
    salt: np.ndarray = field(init=False)  # (Z, L) dS/m mm, of the water that moves
    held: np.ndarray = field(init=False)  # (Z, L) dS/m mm, of the water that does not
    drained: np.ndarray = field(init=False)  # below the roots, mm
    drained_salt: np.ndarray = field(init=False)
    lost: np.ndarray = field(init=False)  # below the lowest layer, mm
    lost_salt: np.ndarray = field(init=False)
    taken: np.ndarray = field(init=False)  # by roots, mm

    def __post_init__(self) -> None:
        """Start at field capacity and the same salinity all down."""
        layer = self.physics.layer
        self.rooted = np.rint(self.roots * 1000.0 / layer).astype(int)
        count = int(self.rooted.max() + round(BELOW / layer))
        self.full, self.dry, self.pores = (
            np.repeat(layer * share[:, None], count, axis=1)
            for share in (self.field_capacity, self.wilting_point, self.saturation)
        )
        quarter = np.concatenate(([0.0], np.cumsum(self.physics.roots)))
        edges = np.minimum(np.arange(count + 1)[None, :] / self.rooted[:, None], 1.0)
        self.pattern = np.diff(np.interp(edges, np.linspace(0.0, 1.0, quarter.size), quarter), axis=1)
        self.inside = np.arange(count)[None, :] < self.rooted[:, None]
        self.still = np.minimum(self.physics.still * self.full, self.dry)  # roots and drainage leave it
        self.water = self.full.copy()
        self.paste_water = np.repeat(layer * self.paste[:, None], count, axis=1)
        whole = self.start_ece[:, None] * self.paste_water
        self.held = whole * self.still / self.full
        self.salt = whole - self.held
        nothing = np.zeros((5, self.roots.size))
        self.drained, self.drained_salt, self.lost, self.lost_salt, self.taken = nothing

    @property
    def ece(self) -> np.ndarray:
        """ECe by layer (Z, L)."""
        return (self.salt + self.held) / self.paste_water

    @property
    def root_ece(self) -> np.ndarray:
        """Mean ECe over the roots (Z,)."""
        return (self.ece * self.inside).sum(axis=1) / self.rooted

    @property
    def depletion(self) -> np.ndarray:
        """Of the root zone below field capacity, 0 or more (Z,)."""
        return np.maximum(((self.full - self.water) * self.inside).sum(axis=1), 0.0)

    def at(self, depth_cm: float) -> tuple[np.ndarray, np.ndarray]:
        """Moisture [m3/m3] and ECe around a depth, over 4 cm (Z,)."""
        layer = self.physics.layer
        top = np.arange(self.water.shape[1]) * layer
        ends = depth_cm * 10.0 + np.array([-20.0, 20.0])
        share = (np.clip(top + layer, *ends) - np.clip(top, *ends)) / np.diff(ends)
        return self.water @ share / layer, self.ece @ share

    def salt_above(self, depth_cm: float) -> np.ndarray:
        """Salt between the surface and a depth (Z,) [dS/m mm]."""
        top = np.arange(self.water.shape[1]) * self.physics.layer
        return (self.salt + self.held) @ np.clip((depth_cm * 10.0 - top) / self.physics.layer, 0.0, 1.0)

    def day(self, rate: np.ndarray, ec: float, et: np.ndarray) -> None:
        """From 18:00 to 18:00: water by step (Z, STEPS) [mm] of an EC, and the ET of the day (Z,) [mm]."""
        for i in range(STEPS):
            self._drain(rate[:, i], ec)
            if self.physics.still:
                self._even_out()
            if DAYLIGHT[i]:
                self._take(et * DAYLIGHT[i])

    def _drain(self, coming: np.ndarray, ec: float) -> None:
        salt, physics, last = coming * ec, self.physics, self.rooted - 1
        spread = physics.dispersivity / physics.layer
        for layer in range(self.water.shape[1]):
            self.water[:, layer] += coming
            above = np.maximum(self.water[:, layer] - self.full[:, layer], 0.0)
            going = self._leaving(layer, above)
            by = np.minimum(physics.by_pass * going, coming)  # keeps its own salt
            apart = np.where(coming > 0.0, salt / np.where(coming > 0.0, coming, 1.0), 0.0) * by
            self.salt[:, layer] += salt - apart
            mixed = going - by
            moving = self.water[:, layer] - by - self.still[:, layer]
            salt = self.salt[:, layer] * mixed / np.maximum(moving, 1e-9)
            self.salt[:, layer] -= salt
            salt = salt + apart
            self.water[:, layer] -= going
            if spread and layer + 1 < self.water.shape[1]:
                pair = slice(layer, layer + 2)
                strength = self.salt[:, pair] / np.maximum(self.water[:, pair] - self.still[:, pair], 1e-9)
                over = spread * going * (strength[:, 0] - strength[:, 1])
                over = np.clip(over, -MOST_SPREAD * self.salt[:, layer + 1], MOST_SPREAD * self.salt[:, layer])
                self.salt[:, pair] += over[:, None] * np.array([-1.0, 1.0])
                self.drained_salt += np.where(last == layer, over, 0.0)
            coming = going
            self.drained += np.where(last == layer, coming, 0.0)
            self.drained_salt += np.where(last == layer, salt, 0.0)
        self.lost += coming
        self.lost_salt += salt

    def _leaving(self, layer: int, above: np.ndarray) -> np.ndarray:
        """What leaves a layer in one step that holds `above` beyond field capacity."""
        physics = self.physics
        if np.isinf(physics.ks):
            return above
        full, pores = self.full[:, layer], self.pores[:, layer]
        share = (full + above) / pores if physics.of_pores else above / (pores - full)
        by_gravity = physics.ks * STEP / 60.0 * np.minimum(share, 1.0) ** physics.exponent
        return np.maximum(np.minimum(by_gravity, MOST_DRAINED * above), above - (pores - full))  # saturated: at once

    def _even_out(self) -> None:
        """Exchange of salt between moving and still water."""
        moving = np.maximum(self.water - self.still, 1e-9)
        even = (self.salt + self.held) * self.still / (moving + self.still)
        over = (1.0 - np.exp(-self.physics.exchange * STEP / 60.0)) * (even - self.held)
        self.held += over
        self.salt -= over

    def _take(self, et: np.ndarray) -> None:
        held = self.water - self.dry
        ease = np.clip(held / (FULL_UPTAKE * (self.full - self.dry)), 0.0, 1.0) * self.pattern
        wanted = et[:, None] * ease / np.maximum(ease.sum(axis=1), 0.6)[:, None]
        taken = np.minimum(wanted, np.maximum(held, 0.0))
        self.water -= taken
        self.taken += taken.sum(axis=1)

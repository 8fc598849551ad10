"""A season in closed loop: a rule or the real evening decides, the finer physics answers, and everything is counted."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from scheduler.document.parts import PlanDocument
from scheduler.errors import NoPlan
from scheduler.evening import plan_tonight
from scheduler.learn import learn
from scheduler.ledger.keeping import with_accepted
from scheduler.site import Site
from tests.physics.rules import Rule
from tests.physics.world import SURFACES, Day, World

LEARN_EVERY = 7  # nights
LOWER_PROBE = 18.0  # cm


@dataclass
class Evening:
    """The project's evenings as a rule, with what they believed; `learning` accepts what is offered every week."""

    site: Site
    learning: bool = False
    changes: dict[str, Any] = field(default_factory=dict)  # of Site, to compare settings
    accepted: pd.DataFrame | None = None
    believed: list[tuple[np.ndarray, ...]] = field(
        default_factory=list
    )  # an evening: depletion, spread, ECe; truth of 2
    used: list[tuple[int, np.ndarray]] = field(
        default_factory=list
    )  # night, demand per minute in use over the true one
    flushes: list[dict[str, Any]] = field(default_factory=list)
    seconds: float = 0.0
    failed: int = 0

    def __call__(self, world: World) -> tuple[np.ndarray, np.ndarray]:
        """Plan tonight by the files as they are."""
        began = time.process_time()
        site = replace(world.now(self.site), **self.changes)
        nights = (world.night - world.first).days
        if self.learning and nights and nights % LEARN_EVERY == 0:
            self._learn(site, world)
        if self.accepted is not None:
            site = with_accepted(site, self.accepted)
        try:
            document = plan_tonight(site, world.night, world.made(site))
        except NoPlan:
            self.failed += 1
            return world.from_minutes(np.zeros(world.zone.size))
        self._take_note(site, world, document)
        self.seconds += time.process_time() - began
        return world.from_plan(document)

    def _learn(self, site: Site, world: World) -> None:
        known = site if self.accepted is None else with_accepted(site, self.accepted)
        rows = learn(site, known, world.night).table[["zone", "quantity", "value"]]
        both = rows if self.accepted is None else pd.concat((self.accepted, rows))
        self.accepted = both.drop_duplicates(["zone", "quantity"], keep="last", ignore_index=True)

    def _take_note(self, site: Site, world: World, document: PlanDocument) -> None:
        before = pd.DataFrame([z.before.model_dump(exclude={"layers_dsm"}) for z in document.zones], dtype=float)
        told = before[["depletion_mm", "spread_mm", "ece_dsm"]].to_numpy(float).T
        told[0] -= before["surplus_mm"].to_numpy(float)
        self.believed.append((*told, world.depletion, world.ece))
        zones = site.zones
        used = (zones.microclimate / zones.application_rate) / (world.microclimate / (60.0 * world.rate))
        self.used.append(((world.night - world.first).days, used))
        row = {zone: i for i, zone in enumerate(world.zone)}
        for flush in document.flushes:
            if world.night in flush.nights:
                i = row[flush.zone]
                after = document.zones[i].after.ece_dsm
                if after is not None:
                    self.flushes.append(
                        {
                            "zone": i, "surface": world.surface[i], "night": world.night, "forecast": float(after),
                            "believed": told[2][i], "before": world.ece[i], "above": self._above(world)[i],
                        }
                    )  # fmt: skip

    def after(self, world: World) -> None:
        """Take note of what last night's flushes did."""
        for flush in self.flushes:
            if (world.night - flush["night"]).days == 1:
                i = flush["zone"]
                flush |= {"after": float(world.ece[i]), "above_after": float(self._above(world)[i])}

    @staticmethod
    def _above(world: World) -> np.ndarray:
        columns = world.columns
        part = columns.within(np.zeros(world.zone.size), np.full(world.zone.size, LOWER_PROBE))
        return ((columns.moving + columns.held) / columns.dz * part).sum(axis=2).mean(axis=1)


@dataclass
class Season:
    """Days and evenings of one season; arrays (N, Z)."""

    world: World
    days: list[Day]
    ece: np.ndarray
    evening: Evening | None

    def stack(self, name: str) -> np.ndarray:
        """A field of Day over nights."""
        return np.array([getattr(d, name) for d in self.days])

    def row(self) -> dict[str, float]:
        """The figures of the comparison, zone-days over all zones and nights."""
        met, worst, z = self.stack("met"), self.stack("met_worst"), self.world.zone.size
        return {
            "water": float(self.stack("water").sum() / z),
            "rain": float(self.stack("rain").sum()),
            "drained": float(self.stack("drained").sum() / z),
            "runoff": float(self.stack("ran_off").sum() / z),
            "under 0.9": int((met < 0.9).sum()),
            "under 0.7": int((met < 0.7).sum()),
            "worst quarter under 0.7": int((worst < 0.7).sum()),
            "too wet under 0.9": int((self.stack("met_all") < np.minimum(met, 0.9) - 0.02).sum()),
            "soft": int(self.stack("soft").sum()),
            "over salt limit": int((self.ece > self.world.limit).sum()),
        }

    def by_surface(self) -> pd.DataFrame:
        """Water, drainage, stress and salt by surface."""
        met, rows = self.stack("met"), {}
        for surface in [s for s in SURFACES if s in self.world.surface]:
            own = self.world.surface == surface
            rows[surface] = {
                "zones": int(own.sum()),
                "water": self.stack("water")[:, own].sum() / own.sum(),
                "drained": self.stack("drained")[:, own].sum() / own.sum(),
                "under 0.9": int((met[:, own] < 0.9).sum()),
                "under 0.7": int((met[:, own] < 0.7).sum()),
                "soft": int(self.stack("soft")[:, own].sum()),
                "over salt": int((self.ece > self.world.limit)[:, own].sum()),
            }
        return pd.DataFrame(rows).T

    def belief(self) -> pd.DataFrame:
        """Bias, RMSE and coverage (95 %) of depletion [mm] by surface, probed or not; ECe and its error."""
        assert self.evening is not None
        told, spread, ece, truth, true_ece = (np.array(v) for v in zip(*self.evening.believed, strict=True))
        rows = {}
        for surface in SURFACES:
            for probed in (True, False):
                own = (self.world.surface == surface) & (self.world.probed == probed)
                if not own.any():
                    continue
                off = (told - truth)[:, own]
                salt_off = np.log(ece[:, own] / true_ece[:, own])
                rows[surface, "probed" if probed else "not"] = {
                    "bias": off.mean(),
                    "rmse": np.sqrt((off**2).mean()),
                    "inside": 100.0 * (np.abs(off) <= 1.96 * spread[:, own]).mean(),
                    "ece believed": np.nanmean(ece[:, own]),
                    "ece true": true_ece[:, own].mean(),
                    "ece bias %": 100.0 * np.nanmean(salt_off),
                    "ece rmse %": 100.0 * np.sqrt(np.nanmean(salt_off**2)),
                }
        return pd.DataFrame(rows).T

    def lessons(self) -> pd.DataFrame:
        """Median error of the demand per minute of run in use, by surface at the start, middle and end [%]."""
        assert self.evening is not None
        rows = {}
        last = len(self.evening.used) - 1
        for at in sorted({0, last // 4, last // 2, last}):
            night, ratio = self.evening.used[at]
            off = 100.0 * np.abs(np.log(ratio))
            surfaces = [s for s in SURFACES if s in self.world.surface]
            rows[f"night {night}"] = {s: np.median(off[self.world.surface == s]) for s in surfaces} | {
                "all": np.median(off)
            }
        return pd.DataFrame(rows).T

    def flushed(self) -> dict[str, float]:
        """How near flushes came to their forecast, and whether salt went below the lower probe."""
        assert self.evening is not None
        done = [f for f in self.evening.flushes if "after" in f]
        if not done:
            return {"flushes": 0}
        off = np.array([f["after"] / f["forecast"] for f in done])
        off_before = np.array([f["before"] / f["believed"] for f in done])
        fell = np.array([f["above_after"] < f["above"] for f in done])
        return {
            "flushes": len(done),
            "within 20 %": 100.0 * np.mean(np.abs(off - 1.0) <= 0.2),
            "after over forecast": float(np.median(off)),
            "before over belief": float(np.median(off_before)),
            "salt fell above the lower probe": 100.0 * fell.mean(),
        }


def run_season(world: World, nights: int, rule: Rule) -> Season:
    """Run the lead and `nights` evenings by a rule."""
    world.lead()
    evening = rule if isinstance(rule, Evening) else None
    days, ece = [], []
    for _ in range(nights):
        days.append(world.step(rule(world)))
        ece.append(world.ece)
        if evening is not None:
            evening.after(world)
    return Season(world, days, np.array(ece), evening)


def evening_season(
    folder: Path, nights: int, learning: bool = False, changes: dict[str, Any] | None = None, **course: Any
) -> Season:
    """A season by the project's evenings."""
    world = World(nights=nights, **course)
    return run_season(world, nights, Evening(world.lay_out(folder), learning, changes or {}))


def rule_season(folder: Path, nights: int, rule: Rule, **course: Any) -> Season:
    """A season by a rule."""
    world = World(nights=nights, **course)
    world.lay_out(folder)
    return run_season(world, nights, rule)

"""What is learned, and where zones are believed to stand, on the finer physics; run by hand, in the background.

python -m tests.bench.bench_learning --climate humid --seed 103 --zones 60 --nights 180 [--family "held out"]
    [--rule "fixed programme"] [--lessons]

A plain rule waters (so that nothing depends on what was learned); on every thirtieth evening what would be offered is
held against the truth: median error of demand per minute of run, of microclimate and of rate, told and learned, and the
share of truths inside the 95 % intervals. Every fifteenth evening the depletion believed is held against the truth;
with `--lessons` that is left out, and a season takes a twelfth of the time.
The figures of "held out" are those to report; "tuning" is for work on the models.
"""

from __future__ import annotations

import argparse
import tempfile
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

from scheduler.learn import LEAST_CHANGE, _metered, _record, learn
from scheduler.site import Site
from scheduler.state.demand import evening_demand
from scheduler.state.evening import evening_state
from scheduler.supply import net_rates
from tests.physics.rules import PLAIN
from tests.physics.world import OPENS, SURFACES, World

from models.learning import learn_zones  # isort: skip
from models.spot_fit import fit_spots  # isort: skip

LESSON_EVERY, STATE_EVERY, FIRST = 30, 15, 45  # nights
PAIR = ("microclimate", "application_rate")


def offered(site: Site, world: World) -> tuple[np.ndarray, np.ndarray]:
    """Logs of demand and water over what was told, as they would be used were all that is offered accepted."""
    logs = np.zeros((2, world.zone.size))
    row = {zone: i for i, zone in enumerate(world.zone)}
    for r in learn(site, site, world.night).table.itertuples():
        if r.quantity in PAIR:
            logs[PAIR.index(r.quantity), row[r.zone]] = np.log(r.value / r.told)
    return logs[0], logs[1]


def lesson_rows(site: Site, world: World, night: int) -> list[dict[str, object]]:
    """Errors in % by surface, told and learned, and coverage of the intervals, whether offered or not."""
    demand, water = np.log(world.microclimate), np.log(60.0 * world.rate / world.told["application_rate"].to_numpy())
    more, caught = offered(site, world)
    record, _ = _record(site, world.night, [])
    if record is None:
        return []
    found = learn_zones(record, fit_spots(record)[0], metered=_metered(site, world.night))
    inside = [
        np.abs(found.demand - found.water - demand + water) <= 1.96 * found.ratio_spread,
        np.abs(found.demand - demand) <= 1.96 * found.demand_spread,
        np.abs(found.water - water) <= 1.96 * found.water_spread,
    ]
    rows = []
    for surface in (*SURFACES, "all"):
        own = np.ones(demand.size, dtype=bool) if surface == "all" else world.surface == surface
        rows.append(
            {"night": night, "surface": surface}
            | {
                name: 100.0 * float(np.median(np.abs(np.exp(off[own]) - 1.0)))
                for name, off in (
                    ("told", water - demand), ("says", found.demand - found.water - demand + water),
                    ("offered", more - caught - demand + water),
                    ("m told", -demand), ("m", more - demand), ("rate told", -water), ("rate", caught - water),
                )
            }
            | {
                name: 100.0 * float(i[own].mean())
                for name, i in zip(("inside", "m inside", "rate inside"), inside, strict=True)
            }
            | {"changed": 100.0 * float(np.mean((np.abs(more) + np.abs(caught))[own] > LEAST_CHANGE["microclimate"]))}
        )  # fmt: skip
    return rows


def state_rows(site: Site, world: World) -> pd.DataFrame:
    """Depletion believed and true of every zone [mm], with its spread."""
    demand = evening_demand(site, world.night, site.nights)
    state = evening_state(site, world.night, OPENS * 60, demand, net_rates(site))
    return pd.DataFrame(
        {
            "surface": world.surface, "probed": world.probed, "off": state.depletion - world.depletion,
            "inside": np.abs(state.depletion - world.depletion) <= 1.96 * state.spread, "spread": state.spread,
        }
    )  # fmt: skip


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--climate", choices=("dry", "humid"), default="humid")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--family", default="tuning")
    parser.add_argument("--nights", type=int, default=180)
    parser.add_argument("--zones", type=int, default=60)
    parser.add_argument("--lessons", action="store_true", help="leave depletion out")
    parser.add_argument("--rule", choices=tuple(PLAIN), default="fixed programme")
    args = parser.parse_args()
    warnings.simplefilter("ignore")
    world = World(args.climate, args.seed, args.family, args.zones, args.nights, spots_only=args.lessons)
    lessons: list[dict[str, object]] = []
    states: list[pd.DataFrame] = []
    with tempfile.TemporaryDirectory() as folder:
        told = world.lay_out(Path(folder) / "site")
        world.lead()
        for night in range(args.nights):
            if night >= FIRST and (night - FIRST) % LESSON_EVERY == 0 or night == args.nights - 1:
                lessons += lesson_rows(world.now(told), world, night)
            if not args.lessons and night >= FIRST and (night - FIRST) % STATE_EVERY == 0:
                states.append(state_rows(world.now(told), world))
            world.step(PLAIN[args.rule](world))
    print(f"{args.family}, seed {args.seed}, {args.climate}, {args.zones} zones, {args.nights} nights, {args.rule}")  # noqa: T201
    print(pd.DataFrame(lessons).set_index(["night", "surface"]).round(1).to_string())  # noqa: T201
    if not states:
        return
    by = pd.concat(states).groupby(["surface", "probed"])
    table = pd.DataFrame(
        {
            "bias mm": by["off"].mean(), "rmse mm": by["off"].apply(lambda off: float(np.sqrt((off**2).mean()))),
            "spread mm": by["spread"].mean(), "inside %": 100.0 * by["inside"].mean(),
        }
    )  # fmt: skip
    print(table.round(1).to_string())  # noqa: T201


if __name__ == "__main__":
    main()

"""Water against stress: the evenings and plain rules in closed loop on the finer physics; by hand, in the background.

python -m tests.bench.bench_value [--out tests/bench/value.csv] [--zones 8] [--nights 35] [--family "held out"]
    [--seeds 101,102,103]
python -m tests.bench.draw_value          # the picture of README from that file

Every method is run more or less cautiously, so that methods are compared at equal stress and not at equal setting. A
run that stands in the file is not made again: the bench can be stopped at any moment.
"""

from __future__ import annotations

import argparse
import csv
import os
import tempfile
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from functools import partial
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402

import scheduler.plan.inputs as plan_inputs  # noqa: E402
from scheduler.supply import fits_alone  # noqa: E402
from tests.physics.rules import Greedy, Run, full_replacement, probe_trigger, replacement_over_du  # noqa: E402
from tests.physics.season import Season, evening_season, rule_season  # noqa: E402
from tests.physics.world import World  # noqa: E402

RESULTS = Path(__file__).with_name("value.csv")
FIRST = date(2026, 6, 10)
COLUMNS = (
    "climate", "seed", "method", "setting", "zone_days", "water_mm", "rain_mm", "drained_mm", "under_0.9", "under_0.7",
    "worst_quarter_under_0.7", "soft", "over_salt_limit", "no_plan",
)  # fmt: skip
Runner = Callable[[Path], Season]


@contextmanager
def one_weather() -> Iterator[None]:
    """Plans are made for the expected weather alone."""
    kept = plan_inputs.other_weathers
    plan_inputs.other_weathers = lambda *_, **__: None  # type: ignore[assignment]
    try:
        yield
    finally:
        plan_inputs.other_weathers = kept


def evening(folder: Path, nights: int, caution: str, several: bool = True, **course: object) -> Season:
    """A season of the project's evenings under a word for caution."""
    if several:
        return evening_season(folder, nights, changes={"caution": caution}, **course)
    with one_weather():
        return evening_season(folder, nights, changes={"caution": caution}, **course)


def times(world: World, rule: Callable[[World], Run], factor: float) -> Run:
    """A rule's run times, all longer or shorter."""
    minutes, _ = rule(world)
    return world.from_minutes(np.asarray(minutes) * factor)


def runs(nights: int, course: dict[str, object]) -> list[tuple[str, str, Runner]]:
    """Every method and setting of one course, those that matter most first."""

    def own(method: str, caution: str, **more: object) -> tuple[str, str, Runner]:
        return method, caution, partial(evening, nights=nights, caution=caution, **course, **more)

    def plain(method: str, setting: str, rule: Callable[[World], Run]) -> tuple[str, str, Runner]:
        return method, setting, partial(_rule, nights=nights, rule=rule, **course)

    found = [own("several weathers", "even"), own("one weather", "even", several=False)]
    found += [plain("full ET", f"{f:g}", partial(times, rule=full_replacement, factor=f)) for f in (0.8, 1.0, 1.2)]
    found += [
        plain("full ET over DU", f"{f:g}", partial(times, rule=replacement_over_du, factor=f)) for f in (0.8, 1.0, 1.2)
    ]
    found += [plain("probe trigger", f"{left:g}", partial(probe_trigger, left=left)) for left in (0.4, 0.5, 0.65)]
    found += [plain("greedy that knows", f"{ahead}", Greedy(ahead)) for ahead in (1, 2, 3)]
    found += [own("several weathers", word) for word in ("lean", "careful")]
    found += [own("perfect forecast", "even", perfect=True, several=False)]
    return [*found, *(own("one weather", word, several=False) for word in ("lean", "careful"))]


def _rule(folder: Path, nights: int, rule: Callable[[World], Run], **course: object) -> Season:
    return rule_season(folder, nights, rule, **course)


def row_of(season: Season) -> dict[str, float]:
    """The figures of one season by the columns of the file."""
    found = season.row()
    return {
        "zone_days": len(season.days) * season.world.zone.size,
        "water_mm": round(found["water"], 1),
        "rain_mm": round(found["rain"], 1),
        "drained_mm": round(found["drained"], 1),
        "under_0.9": found["under 0.9"],
        "under_0.7": found["under 0.7"],
        "worst_quarter_under_0.7": found["worst quarter under 0.7"],
        "soft": found["soft"],
        "over_salt_limit": found["over salt limit"],
        "no_plan": 0 if season.evening is None else season.evening.failed,
    }


def main() -> None:
    """Run what is not in the file yet, method by method over all courses, and append each as it ends."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, default=RESULTS)
    parser.add_argument("--zones", type=int, default=8)
    parser.add_argument("--nights", type=int, default=35)
    parser.add_argument("--family", default="held out")
    parser.add_argument("--seeds", default="101,102,103")
    args = parser.parse_args()
    warnings.simplefilter("ignore")
    if not args.out.is_file():
        args.out.write_text(",".join(COLUMNS) + "\n")
    with args.out.open(newline="") as file:
        done = {(r["climate"], r["seed"], r["method"], r["setting"]) for r in csv.DictReader(file)}
    courses = [(c, s) for s in args.seeds.split(",") for c in ("humid", "dry")]
    lists = [
        [(c, s, *run) for run in runs(args.nights, _course(c, int(s), args.zones, args.family))] for c, s in courses
    ]
    for climate, seed in courses:
        _every_zone_can_run(World(**_course(climate, int(seed), args.zones, args.family)))
    for climate, seed, method, setting, run in (item for same in zip(*lists, strict=True) for item in same):
        if (climate, seed, method, setting) in done:
            continue
        with tempfile.TemporaryDirectory() as folder:
            values = row_of(run(Path(folder) / "site"))
        with args.out.open("a", newline="") as file:
            csv.writer(file, lineterminator="\n").writerow([climate, seed, method, setting, *values.values()])
        print(climate, seed, method, setting, values, flush=True)  # noqa: T201


def _every_zone_can_run(world: World) -> None:
    """Refuse a course whose pump is smaller than one of its zones: rules know no pump, and plans could not run it."""
    with tempfile.TemporaryDirectory() as folder:
        site = world.lay_out(Path(folder) / "site")
    if not fits_alone(site).all():
        raise SystemExit(f"the pump carries not every one of {world.zone.size} zones alone: take more zones")


def _course(climate: str, seed: int, zones: int, family: str) -> dict[str, object]:
    return {"climate": climate, "seed": seed, "zones": zones, "family": family, "first": FIRST}


if __name__ == "__main__":
    main()

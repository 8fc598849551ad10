"""Seasons in closed loop on the finer physics: the real evening against plain rules; run by hand, in the background.

python -m tests.bench.bench_closed_loop --climate humid --seed 101 --nights 150 --zones 30 [--family "held out"]
    [--only evening --only "full ET"] [--learning] [--out results.json]

The figures of `FAMILIES["held out"]` are those to report; "tuning" is for work on the models.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import pandas as pd  # noqa: E402

from tests.physics.rules import PLAIN, Greedy  # noqa: E402
from tests.physics.season import Season, evening_season, rule_season  # noqa: E402

EVENING, LEARNING, PERFECT, GREEDY = "evening", "evening, learning accepted", "evening, perfect forecast", "greedy"


def methods(args: argparse.Namespace) -> dict[str, Callable[[Path], Season]]:
    """Every way to run the season, by name."""
    course = {"climate": args.climate, "seed": args.seed, "family": args.family, "zones": args.zones}
    found: dict[str, Callable[[Path], Season]] = {
        EVENING: lambda folder: evening_season(folder, args.nights, **course),
        LEARNING: lambda folder: evening_season(folder, args.nights, learning=True, **course),
        PERFECT: lambda folder: evening_season(folder, args.nights, perfect=True, **course),
        GREEDY: lambda folder: rule_season(folder, args.nights, Greedy(), **course),
    }
    for name, rule in PLAIN.items():
        found[name] = lambda folder, rule=rule: rule_season(folder, args.nights, rule, **course)
    return found


def main() -> None:
    """Print the comparison, and for the evenings what they believed and forecast."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--climate", choices=("dry", "humid"), default="humid")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--family", default="tuning")
    parser.add_argument("--nights", type=int, default=30)
    parser.add_argument("--zones", type=int, default=15)
    parser.add_argument("--only", action="append", default=[])
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    warnings.simplefilter("ignore")
    rows, written = {}, {}
    print(f"{args.family}, seed {args.seed}, {args.climate}, {args.zones} zones, {args.nights} nights")  # noqa: T201
    for name, run in methods(args).items():
        if args.only and name not in args.only:
            continue
        began = time.process_time()
        with tempfile.TemporaryDirectory() as folder:
            season = run(Path(folder))
        rows[name] = season.row() | {"cpu s": time.process_time() - began}
        written[name] = rows[name]
        print(f"\n== {name}: " + ", ".join(f"{k} {v:.0f}" for k, v in rows[name].items()))  # noqa: T201
        print(season.by_surface().round(1).to_string(), flush=True)  # noqa: T201
        if season.evening is not None:
            belief, lessons = season.belief(), season.lessons()
            print(belief.round(1).to_string())  # noqa: T201
            print(lessons.round(1).to_string())  # noqa: T201
            print({k: round(v, 2) for k, v in season.flushed().items()}, "no plan:", season.evening.failed, flush=True)  # noqa: T201
            written[name] = rows[name] | season.flushed() | {"lessons": lessons.to_dict()}
    print("\n" + pd.DataFrame(rows).T.round(0).to_string())  # noqa: T201
    if args.out:
        args.out.write_text(json.dumps(written, default=float))


if __name__ == "__main__":
    main()

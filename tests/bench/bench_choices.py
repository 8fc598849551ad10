"""What each choice of `models/choices.py` is worth: halved and raised by half, on invented sites.

    python -m tests.bench.bench_choices [--zones 30] [--seeds 2]

Sites: a golf course on reclaimed water whose greens and tees are salty, with probes and a log, a tournament and a
fertigation ahead; the same without probes or log; and one with half of its water under a drought order. Of each plan:
water of the horizon, zone-days too dry and too soft, and depth of its flushes.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from models import choices
from scheduler.evening import plan_tonight
from scheduler.site import load_site
from tests.sites import SiteOptions, make_site

GROUPS = {name: getattr(choices, name) for name in ("BAND", "EVENTS", "DROUGHT", "FLUSH", "SPREAD")}
EVENING = SiteOptions().evening


def sites(folder: Path, zones: int, seed: int) -> list[Path]:
    """Write the three sites."""
    made = [
        make_site(folder / "whole", zones=zones, seed=seed, water_ec=1.4),
        make_site(folder / "blind", zones=zones, seed=seed, water_ec=1.4, probes=False, applied=False),
        make_site(folder / "short", zones=zones, seed=seed, water_ec=1.4, allocation_left=0.5),
    ]
    for place in made:
        greens = [line.split(",")[0] for line in (place / "zones.csv").read_text().splitlines() if ",green," in line]
        ece = np.random.default_rng(seed).uniform(1.0, 7.0, len(greens))
        rows = "".join(
            f"{EVENING},{z},{d},{e * f:.2f}\n"
            for z, e in zip(greens, ece, strict=True)
            for d, f in ((5, 0.7), (15, 1.3))
        )
        (place / "samples.csv").write_text("date,zone,depth,ece\n" + rows)
        ahead = [EVENING + timedelta(days=i) for i in range(8)]
        events = f"{ahead[4]},{ahead[5]},green,,tournament,\n{ahead[0]},,tee,,fertigation,\n"
        (place / "calendar.csv").write_text("from,until,surface,zone,event,note\n" + events)
    order = '\n[[restriction]]\nsurfaces = ["fairway", "rough"]\ncut = 0.3\n'
    (made[2] / "site.toml").write_text((made[2] / "site.toml").read_text() + order)
    return made


def measured(places: list[Path]) -> np.ndarray:
    """Water [m3], zone-days too dry and too soft, depth of flushes [mm], over all sites."""
    total = np.zeros(4)
    for place in places:
        site = load_site(place)
        plan = plan_tonight(
            site, EVENING, datetime(EVENING.year, EVENING.month, EVENING.day, 17, tzinfo=site.time_zone)
        ).plain()
        total[0] += sum(n["volume_m3"] for n in plan["nights"])
        total[1] += sum(s["dry_zone_days"] for s in plan["surfaces"])
        total[2] += sum(s["wet_zone_days"] for s in plan["surfaces"])
        total[3] += sum(f["depth_mm"] for f in plan["flushes"])
    return total


def main() -> None:
    """Vary one choice at a time."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--zones", type=int, default=30)
    parser.add_argument("--seeds", type=int, default=2)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        places = [p for s in range(given.seeds) for p in sites(Path(place) / str(s), given.zones, s)]
        plain = measured(places)
        sys.stdout.write(
            f"as chosen: {plain[0]:.0f} m3, {plain[1]:.0f} dry, {plain[2]:.0f} soft, {plain[3]:.0f} mm flushed\n"
        )
        for name, group in GROUPS.items():
            for field in dataclasses.fields(group):
                chosen = getattr(group, field.name)
                for factor in (0.5, 1.5):
                    value = chosen * factor if isinstance(chosen, float) else round(chosen * factor)
                    object.__setattr__(group, field.name, value)
                    water, dry, soft, flushed = measured(places) - plain
                    object.__setattr__(group, field.name, chosen)
                    sys.stdout.write(
                        f"{name}.{field.name} {chosen:g} -> {value:g}: water {water / plain[0]:+.1%}, {dry:+.0f} dry, "
                        f"{soft:+.0f} soft zone-days, flushes {flushed:+.0f} mm\n"
                    )
                    sys.stdout.flush()


if __name__ == "__main__":
    main()

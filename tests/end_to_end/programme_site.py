"""A small course for programmes, written by code: 18 greens on one controller, beds on one of its own, roughs free."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np

FIRST, LAST = date(2026, 6, 1), date(2026, 7, 20)


def write_site(folder: Path, seed: int = 1, controllers: str = "", greens: int = 18) -> Path:
    """Write the folder; `controllers` replaces the three [[controller]] tables."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(HEAD + (controllers or CONTROLLERS), encoding="utf-8")
    rows = ["zone,name,surface,turf,soil,root_depth,area,flow,du_lq,slope,branch,controller,station"]
    for k in range(greens):
        area, flow = rng.integers(400, 600), rng.uniform(1.8, 2.4)
        slope = float(rng.choice([1, 2, 9]))
        rows.append(f"G{k + 1},green {k + 1},green,creeping_bentgrass,sandy_loam,10,{area},{flow:.2f},0.75,{slope},"
                    f"loop,greens,{k + 1}")  # fmt: skip
    for k in range(6):
        rows.append(f"B{k + 1},bed {k + 1},landscape,tall_fescue,loam,30,{rng.integers(250, 450)},"
                    f"{rng.uniform(0.8, 1.3):.2f},0.7,1,loop,beds,{k + 1}")  # fmt: skip
    for k in range(6):
        rows.append(f"R{k + 1},rough {k + 1},rough,bermudagrass,clay_loam,35,{rng.integers(800, 1200)},"
                    f"{rng.uniform(2.2, 3.0):.2f},0.65,4,loop,roughs,{k + 1}")  # fmt: skip
    (folder / "zones.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    days = [FIRST + timedelta(days=d) for d in range((LAST - FIRST).days + 1)]
    eto = np.round(6.5 + 1.5 * np.sin(np.arange(len(days)) / 9.0) + rng.normal(0, 0.5, len(days)), 2)
    weather = [f"{d},{e},0" for d, e in zip(days, eto, strict=True)]
    (folder / "weather.csv").write_text("date,eto,rain\n" + "\n".join(weather) + "\n", encoding="utf-8")
    return folder


HEAD = """[site]
name = "Programme Course"
latitude = 38
longitude = -100
elevation = 300
time_zone = "UTC"
units = "metric"
[planning]
nights = 3
[window]
opens = "22:00"
closes = "05:00"
[[pump]]
name = "station"
capacity = 9
head = 60
[[branch]]
name = "loop"
pump = "station"
capacity = 9
"""
CONTROLLERS = """[[controller]]
name = "greens"
stations_at_once = 2
programmes = 4
starts_each = 4
at_once = 2
[[controller]]
name = "beds"
stations_at_once = 2
run_time_only = true
[[controller]]
name = "roughs"
stations_at_once = 2
"""

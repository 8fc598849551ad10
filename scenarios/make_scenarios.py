"""Write the shipped sites again, byte for byte: `python scenarios/make_scenarios.py [folder]`.

Without a folder the sites are written beside this file. The seeds stand in the site's own module; the same seed gives
the same bytes as long as numpy keeps the streams of its default generator.

Order of reading: `hidden_truth.py` (weather, soil, what a probe feels), `season.py` (what was run and measured),
`dry_hills.py` and `lowland.py` (one site each).
"""

from __future__ import annotations

import sys
from pathlib import Path

import dry_hills
import lowland

SITES = {"dry-hills-course": dry_hills.write, "lowland-stadium": lowland.write}


def write_all(folder: Path) -> list[Path]:
    """Write every site below `folder` and return the site folders."""
    written = []
    for name, write in SITES.items():
        site = folder / name
        site.mkdir(parents=True, exist_ok=True)
        write(site)
        written.append(site)
    return written


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent
    for path in write_all(target):
        print(f"wrote {path.name}: {sum(f.stat().st_size for f in path.rglob('*') if f.is_file()) / 1e6:.2f} MB")

"""Sites of other tests with their controllers turned into such that hold programmes or find their own start times."""

from __future__ import annotations

import random
import re
import tomllib
from pathlib import Path


def with_programmes(folder: Path, seed: int, own_times: float = 0.2, free: float = 0.2) -> Path:
    """Give the controllers of a folder drawn programmes; shares of them find their own times, or stay as they are."""
    r = random.Random(seed)
    file = folder / "site.toml"
    text = file.read_text(encoding="utf-8-sig")
    tables = iter(tomllib.loads(text).get("controller", []))

    def keys(match: re.Match[str]) -> str:
        at_once = next(tables).get("stations_at_once")
        draw = r.random()
        if draw < free:
            return match[0]
        if draw < free + own_times and at_once is not None:
            return f"{match[0]}run_time_only = true\n"
        together = min(r.choice((1, 1, 2)), int(at_once or 9))
        lines = [f"programmes = {r.randint(1, 6)}", f"starts_each = {r.randint(1, 4)}", f"at_once = {together}"]
        lines += [f"programmes_at_once = {r.choice((1, 1, 2, 3))}", f'order = "{r.choice(("free", "as_listed"))}"']
        lines += [f"station_delay = {r.choice((0, 0, 15, 60))}"] if together > 1 else []
        return match[0] + "\n".join(lines) + "\n"

    file.write_text(re.sub(r"\[\[controller\]\]\r?\n", keys, text), encoding="utf-8")
    return folder

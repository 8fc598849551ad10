"""The sites that are served: what stands in their folders, and how much trouble each is in."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from scheduler.document.parts import PlanDocument
from scheduler.document.reading import read_plan
from scheduler.nightly.records import Status, read_status

PAGES = ("night.html", "zones.html", "keypad.html", "morning.html", "salts.html")  # of a night


@dataclass(frozen=True)
class Served:
    """One site: its name in addresses, and its folder."""

    key: str
    folder: Path

    def nights(self) -> list[date]:
        """Nights that have a folder, the newest first."""
        found = []
        for path in (self.folder / "out").glob("????-??-??"):
            with suppress(ValueError):
                found += [date.fromisoformat(path.name)] if path.is_dir() else []
        return sorted(found, reverse=True)

    def page(self, night: date, name: str) -> Path | None:
        """A page of a night, if it is there; only names of `PAGES` are."""
        path = self.folder / "out" / night.isoformat() / name
        return path if name in PAGES and path.is_file() and not path.is_symlink() else None

    def newest(self, name: str) -> tuple[date, Path] | None:
        """The newest night that has a page, and the page."""
        return next(((night, path) for night in self.nights() if (path := self.page(night, name))), None)

    def plan(self) -> PlanDocument | None:
        """The newest plan, None where there is none or it cannot be read."""
        for night in self.nights():
            path = self.folder / "out" / night.isoformat() / "plan.json"
            if path.is_file():
                try:
                    return read_plan(path)
                except (OSError, ValueError, KeyError, TypeError):
                    return None
        return None

    def status(self) -> Status | None:
        """What the last nightly run told."""
        return read_status(self.folder)

    def reports(self, kind: str) -> list[str]:
        """Names of the reports of a kind ("whatif", "season") that have a page, the newest first."""
        found = [p for p in (self.folder / kind).glob("*") if (p / f"{kind}.html").is_file()]
        return [p.name for p in sorted(found, key=lambda p: (p / f"{kind}.html").stat().st_mtime, reverse=True)]

    def cases(self) -> list[str]:
        """Names of the cases in the folder."""
        return sorted(p.stem for p in (self.folder / "cases").glob("*.toml") if re.fullmatch(r"[\w-]{1,60}", p.stem))


def served(folders: list[Path]) -> dict[str, Served]:
    """Give each folder a name for addresses: its own, with a number where two are alike."""
    found: dict[str, Served] = {}
    for folder in folders:
        base = re.sub(r"[^a-z0-9]+", "-", folder.resolve().name.lower()).strip("-") or "site"
        key, number = base, 1
        while key in found:
            number += 1
            key = f"{base}-{number}"
        found[key] = Served(key, folder.resolve())
    return found


def trouble(site: Served) -> tuple[int, str]:
    """How much trouble a site is in, more is worse, and in words."""
    status, plan = site.status(), site.plan()
    if status is not None and status.trouble:
        return (3 if status.plan is None else 2), status.trouble[0]
    if plan is None:
        return 3, "no plan stands"
    dry = sum(row.dry_zone_days for row in plan.surfaces)
    if dry:
        return 1, f"{dry:,} dry zone-days in the coming nights"
    return 0, "nothing to look at"

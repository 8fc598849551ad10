"""What each choice of `models/choices.py` is worth: moved by a quarter down and up, on invented sites.

    python -m tests.bench.bench_choices [--groups BAND FLUSH ...] [--by 0.25] [--zones 30] [--seeds 2]

Each group is measured where it can matter. Plans: a golf course on reclaimed water whose greens and tees are salty,
with probes and a log, a tournament and a fertigation ahead ("whole"); without probes or log ("blind"); with half of its
water under a drought order ("short"); with its pump filled to the brim ("full"); with rain ahead ("wet"); without any
weather ("bare"); with probes and no log ("loose"); the shipped course, with probes of salinity and pump curves
("course"), and the shipped stadium, where it rains ("stadium"); and an evening after another, keyed in by a person
("keyed"). Then mornings, the account of a season, years drawn from a record, and a plan scaled.
"""

from __future__ import annotations

import argparse
import dataclasses
import shutil
import sys
import tempfile
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

from models import choices
from scheduler.evening import plan_tonight, publish
from scheduler.ledger.keeping import Kept
from scheduler.morning.report import morning_report
from scheduler.nightly.scaled import plan_scaled
from scheduler.nights import out_folder
from scheduler.season.make import season_account
from scheduler.season.span import choose_span
from scheduler.site import load_site
from scheduler.whatif.weather_years import weather_years
from tests.bench.bench_steady import changed
from tests.sites import SiteOptions, make_site

EVENING = SiteOptions().evening
SHIPPED = Path(__file__).parents[2] / "scenarios"
COURSE, STADIUM = SHIPPED / "dry-hills-course", SHIPPED / "lowland-stadium"
Measure = Callable[[], dict[str, float]]
PLANS = ("whole", "blind", "short")
WORLDS = {  # where each group is measured
    "BAND": (*PLANS, "bare"),
    "EVENTS": PLANS,
    "DROUGHT": ("short",),
    "FLUSH": PLANS,
    "SPREAD": ("whole", "blind", "loose"),
    "PRICES": (*PLANS, "full", "wet"),
    "CATCH": ("whole", "wet", "stadium"),
    "WEATHER": ("wet", "bare", "stadium"),
    "READINGS": ("whole", "loose", "stadium"),
    "SALT": ("whole", "course"),
    "TONIGHT": ("full", "course"),
    "RUNS": ("whole", "blind", "wet"),
    "ADVICE": ("wet", "stadium", "course"),
    "STEADY": ("keyed",),
    "UNATTENDED": ("scaled",),
    "YEARS": ("years",),
    "TOLD": ("whole", "wet", "course"),
    "MORNING": ("morning", "course morning"),
    "BY_HAND": ("course morning",),
    "SEASON": ("season",),
}


def salty(folder: Path, zones: int, seed: int, **options: object) -> Path:
    """A site whose greens and tees are salty, with events ahead."""
    place = make_site(folder, zones=zones, seed=seed, water_ec=1.4, **options)
    greens = [line.split(",")[0] for line in (place / "zones.csv").read_text().splitlines() if ",green," in line]
    ece = np.random.default_rng(seed).uniform(1.0, 7.0, len(greens))
    rows = "".join(
        f"{EVENING},{z},{d},{e * f:.2f}\n" for z, e in zip(greens, ece, strict=True) for d, f in ((5, 0.7), (15, 1.3))
    )
    (place / "samples.csv").write_text("date,zone,depth,ece\n" + rows)
    ahead = [EVENING + timedelta(days=i) for i in range(8)]
    events = f"{ahead[4]},{ahead[5]},green,,tournament,\n{ahead[0]},,tee,,fertigation,\n"
    (place / "calendar.csv").write_text("from,until,surface,zone,event,note\n" + events)
    return place


def at(night: date, place: Path) -> tuple[object, date, datetime]:
    """The site read anew, the night, and the evening's hour."""
    site = load_site(place)
    return site, night, datetime(night.year, night.month, night.day, 17, tzinfo=site.time_zone)


def of_plan(document: object) -> dict[str, float]:
    """What a plan comes to."""
    plan = document.plain()
    words = [w for z in plan["zones"] for w in (z.get("reason", ""),)]
    return {
        "m3": sum(n["volume_m3"] for n in plan["nights"]),
        "m3 tonight": plan["nights"][0]["volume_m3"],
        "cost": sum(n.get("cost") or 0.0 for n in plan["nights"]),
        "dry": sum(s["dry_zone_days"] for s in plan["surfaces"]),
        "soft": sum(s["wet_zone_days"] for s in plan["surfaces"]),
        "flush mm": sum(f["depth_mm"] for f in plan["flushes"]),
        "told": len(plan["warnings"]) + len(plan["actions"]) + len(plan["advice"]) + len([w for w in words if w]),
    }


def evening_of(place: Path, night: date = EVENING) -> Measure:
    """The plan of an evening, and each zone's minutes."""

    def measured() -> dict[str, float]:
        plan = plan_tonight(*at(night, place))
        return of_plan(plan) | {f"min {z.id}": z.minutes for z in plan.zones}

    return measured


def keyed(place: Path) -> Measure:
    """What a person keys anew on the second of two evenings."""
    first = EVENING - timedelta(days=1)
    toml = (place / "site.toml").read_text()
    (place / "site.toml").write_text(toml.replace("[[controller]]", "[[controller]]\nprogrammes = 6\nstarts_each = 4"))

    def measured() -> dict[str, float]:
        shutil.rmtree(place / "out", ignore_errors=True)
        site, night, made = at(first, place)
        before, _ = publish(site, plan_tonight(site, night, made), out_folder(site, night))
        now = plan_tonight(*at(EVENING, place))
        minutes, starts = changed(before, now)
        return of_plan(now) | {"minutes keyed": minutes, "starts keyed": starts}

    return measured


def scaled(place: Path) -> Measure:
    """Last night's plan made to serve tonight."""
    site, night, made = at(EVENING - timedelta(days=3), place)
    publish(site, plan_tonight(site, night, made), out_folder(site, night))
    return lambda: of_plan(plan_scaled(*at(EVENING, place)))


def morning(place: Path) -> Measure:
    """A morning after a plan that did not run as it was made."""
    night = EVENING - timedelta(days=2)
    site, _, made = at(night, place)
    publish(site, plan_tonight(site, night, made), out_folder(site, night))
    return looked_back(place, night)


def looked_back(place: Path, night: date) -> Measure:
    """What a morning tells of a night."""

    def measured() -> dict[str, float]:
        report = morning_report(Kept(load_site(place), None, None), night)
        return {
            "zones with words": sum(bool(v) for v in report.verdict),
            "places to walk": len(report.walk),
            "spots by hand": len(report.hand),
            "dose by hand": sum(h.dose for h in report.hand),
            "silent zones": int(report.silent.sum()),
            **{f"verdict {z}: {text}": 1.0 for z, text in enumerate(report.verdict) if text},
        }

    return measured


def season(place: Path) -> Measure:
    """The account of the shipped course."""

    def measured() -> dict[str, float]:
        site, _, made = at(date(2026, 7, 14), place)
        account, _ = season_account(site, choose_span(site, None, None), made)
        words = account.model_dump_json()
        return {
            "explanations": len(account.differences),
            "answers": len(account.answers),
            "dry": sum(s.dry_zone_days or 0.0 for s in account.surfaces if hasattr(s, "dry_zone_days")),
            "letters": float(len(words)),
            **{f"answer {i}: {a}": 1.0 for i, a in enumerate(account.answers)},
        }

    return measured


def years(place: Path) -> Measure:
    """Years of weather drawn from the record of the shipped course."""

    def measured() -> dict[str, float]:
        found, _ = weather_years(load_site(place), date(2026, 7, 14), date(2026, 9, 30), "drawn", 20, 1)
        eto, rain = np.array([y.eto.sum() for y in found]), np.array([y.rain.sum() for y in found])
        return {"eto mm": eto.mean(), "eto spread": eto.std(), "rain mm": rain.mean(), "rain spread": rain.std()}

    return measured


OF_SHIPPED: dict[str, tuple[Path, Callable[[Path], Measure]]] = {
    "course": (COURSE, evening_of),
    "stadium": (STADIUM, evening_of),
    "course morning": (COURSE, lambda place: looked_back(place, date(2026, 7, 13))),
    "season": (COURSE, season),
    "years": (COURSE, years),
}


def worlds(folder: Path, names: set[str], zones: int, seed: int) -> dict[str, Measure]:
    """Make the sites of these worlds."""
    made: dict[str, Measure] = {}
    for name in sorted(names):
        place = folder / name
        if name in OF_SHIPPED:
            if not seed:  # they are one each
                source, act = OF_SHIPPED[name]
                shutil.copytree(source, place, ignore=shutil.ignore_patterns("out", "*.sqlite*"))
                made[name] = act(place)
            continue
        options: dict[str, object] = {
            "blind": {"probes": False, "applied": False},
            "short": {"allocation_left": 0.5},
            "full": {"load": 1.6},
            "loose": {"applied": False},
            "wet": {"storm": 12.0},
            "bare": {"weather": False, "forecast": False, "probes": False},
        }.get(name, {})
        salty(place, zones, seed, **options)
        toml = place / "site.toml"
        if name == "short":
            order = '\n[[restriction]]\nsurfaces = ["fairway", "rough"]\ncut = 0.3\n'
            toml.write_text(toml.read_text() + order)
        made[name] = {"keyed": keyed, "scaled": scaled, "morning": morning}.get(name, evening_of)(place)
    return made


def told(plain: dict[str, float], now: dict[str, float]) -> str:
    """What changed, in words; minutes of zones as the share of the night that is elsewhere."""
    found = []
    minutes = [k for k in plain if k.startswith("min ")]
    moved = sum(abs(now.get(k, 0.0) - plain[k]) for k in minutes)
    if moved:
        found.append(f"minutes moved {moved / max(sum(plain[k] for k in minutes), 1.0):.1%}")
    for key, value in plain.items():
        if key.startswith(("min ", "verdict ", "answer ")):
            continue
        change = now[key] - value
        if abs(change) > 1e-6 * max(abs(value), 1.0):
            relative = f" ({change / value:+.1%})" if value else ""
            found.append(f"{key} {value:.5g} {change:+.4g}{relative}")
    words = [k for k in {*plain, *now} if k.startswith(("verdict ", "answer ")) and (k in plain) != (k in now)]
    if words:
        found.append(f"{len(words)} sentences differ")
    return "; ".join(found) or "nothing"


def moved(chosen: float, by: float) -> tuple[float, float]:
    """A share of it down and up; a whole number by one at least."""
    if isinstance(chosen, float):
        return chosen * (1 - by), chosen * (1 + by)
    step = max(round(chosen * by), 1)
    return chosen - step, chosen + step


def main() -> None:
    """Vary one choice at a time."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--groups", nargs="*", default=list(WORLDS))
    parser.add_argument("--worlds", nargs="*", help="only these")
    parser.add_argument("--fields", nargs="*", help="only these, as BAND.margin_share")
    parser.add_argument("--by", type=float, default=0.25, help="share by which each is moved")
    parser.add_argument("--zones", type=int, default=30)
    parser.add_argument("--seeds", type=int, default=2)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        needed = {w for group in given.groups for w in WORLDS[group] if not given.worlds or w in given.worlds}
        made = [worlds(Path(folder) / str(s), needed, given.zones, s) for s in range(given.seeds)]
        for group_name in given.groups:
            group = getattr(choices, group_name)
            measures = {f"{w} {s}": made[s][w] for s in range(given.seeds) for w in WORLDS[group_name] if w in made[s]}
            plain = {w: measure() for w, measure in measures.items()}
            for field in dataclasses.fields(group):
                if given.fields and f"{group_name}.{field.name}" not in given.fields:
                    continue
                chosen = getattr(group, field.name)
                for value in moved(chosen, given.by):
                    object.__setattr__(group, field.name, value)
                    try:
                        for world, measure in measures.items():
                            said = told(plain[world], measure())
                            sys.stdout.write(f"{group_name}.{field.name} {chosen:g} -> {value:g} [{world}] {said}\n")
                    except Exception as fault:  # noqa: BLE001  a value a program refuses is an answer too
                        sys.stdout.write(f"{group_name}.{field.name} {chosen:g} -> {value:g}: {fault}\n")
                    finally:
                        object.__setattr__(group, field.name, chosen)
                    sys.stdout.flush()


if __name__ == "__main__":
    main()

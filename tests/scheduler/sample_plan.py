"""An invented plan document, made by code: any number of zones, either unit system, the same for the same seed."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np

from scheduler.document.parts import PlanDocument
from scheduler.document.reading import document_of

SURFACES = {  # share of zones, area [m2], rate [mm/h], TAW [mm], raw share, wet limit share
    "green": (0.14, 520.0, 14.0, 26.0, 0.45, 0.10),
    "tee": (0.16, 300.0, 15.0, 30.0, 0.5, 0.08),
    "fairway": (0.42, 1400.0, 13.0, 42.0, 0.5, 0.05),
    "approach": (0.08, 450.0, 14.0, 34.0, 0.5, 0.05),
    "rough": (0.20, 1600.0, 12.0, 48.0, 0.6, 0.0),
}
REASONS = {
    "green": "Drier than its aim before tomorrow's heat; topped up to mid band.",
    "tee": "Would pass its dry limit tomorrow afternoon.",
    "fairway": "Would pass its dry limit on Thursday; tonight is cheaper than Wednesday.",
    "approach": "Would pass its dry limit tomorrow afternoon.",
    "rough": "Near its dry limit; gets what the pump has left.",
}


def sample_document(**options) -> PlanDocument:
    """Give the same as a document; options of `sample_plan`."""
    return document_of(sample_plan(**options))


def _salty(i: int) -> dict:
    """ECe of a root zone and of its layers."""
    mean = 2.4 + i % 5 * 0.2
    return {"ece_dsm": mean, "layers_dsm": [mean - 0.4, mean + 0.4]}


def _position(i: int) -> list[float]:
    """Zones of a hole side by side in a row, holes in rows of six [m]."""
    hole = i % 18
    return [190.0 * (hole % 6) + 17.0 * (i // 18), 300.0 * (hole // 6) + 22.0 * (i // 18 % 3)]


def _outline(i: int) -> list[list[list[float]]]:
    """Outline of a zone: a rhombus about its place [m]."""
    x, y = _position(i)
    return [[[x - 9.0, y], [x, y - 14.0], [x + 9.0, y], [x, y + 14.0]]]


def sample_plan(
    units: str = "us", zones: int = 150, nights: int = 5, seed: int = 7, running: float = 0.6, places: bool = False
) -> dict:
    rng = np.random.default_rng(seed)
    evening = date(2026, 7, 14)
    opens = datetime(2026, 7, 14, 22, 0)
    closes = datetime(2026, 7, 15, 5, 30)
    rows, flow = [], np.zeros((2, 24 * 60))
    names = np.repeat(list(SURFACES), [max(1, round(zones * s[0])) for s in SURFACES.values()])[:zones]
    names = np.concatenate([names, np.full(zones - len(names), "rough")])
    slot = {0: 0, 1: 0}
    for i, surface in enumerate(names):
        _, area, rate, taw, p, wet = SURFACES[surface]
        pump = int(i % 3 == 2)
        runs = rng.random() < running
        minutes = float(rng.integers(14, 40)) if runs else 0.0
        depth = minutes * rate / 60
        uneven = 0.12 * depth
        etc, rain, runoff = float(rng.normal(4.6, 0.4)), 0.4, 0.1
        before = float(np.clip(rng.normal(0.3, 0.1) * taw, 0.5, taw))
        drainage = max(0.0, -(before + etc - (rain - runoff) - depth + uneven))
        after = before + etc - (rain - runoff) - depth + uneven + drainage
        volume = depth * area / 1000
        cycles = []
        if runs:
            parts = [minutes] if minutes <= 10 else [minutes / 2, minutes / 2]
            at = (slot[pump] // 6) * 6 % 300
            slot[pump] += max(1, round(300 * 6 / max(zones, 1) / running / 3))
            for part in parts:
                start = opens + timedelta(minutes=at)
                end = start + timedelta(minutes=part)
                cycles.append({"start": start.isoformat(), "end": end.isoformat(), "minutes": part})
                flow[pump, at : at + int(np.ceil(part))] += area * rate / 3600 / (1 + zones / 400)
                at += int(part) + 25
        path, depletion = [], before
        for n in range(nights):
            d = depth if n == 0 else (rate / 60 * 25 * rng.uniform(0.6, 1.2) if rng.random() < 0.85 else 0.0)
            e, r = (etc, rain - runoff) if n == 0 else (float(rng.normal(4.8, 0.5)), 6.0 if n == 3 else 0.0)
            raw_end = depletion - 0.88 * d + e - r
            depletion = float(np.clip(raw_end, 0, taw))
            path.append(
                {
                    "night": (evening + timedelta(days=n)).isoformat(),
                    "minutes": d / rate * 60,
                    "depth_mm": d,
                    "etc_mm": e,
                    "effective_rain_mm": r,
                    "held_mm": 0.0,
                    "drainage_mm": max(0.0, -raw_end),
                    "depletion_mm": depletion,
                    "kc": e / 6.0,
                    "ks": 1.0,
                    "watered_mm": depletion,
                    "dry_limit_mm": p * taw,
                    "ece_dsm": 2.5,
                }
            )
        rows.append(
            {
                "id": f"{surface[0].upper()}{i + 1:03d}",
                "name": f"{surface.capitalize()} {i + 1}",
                "place": f"hole {i % 18 + 1}",
                "position_m": _position(i) if places else None,
                "outline_m": _outline(i) if places and i % 3 else [],
                "surface": str(surface),
                "controller": f"house {i // 60 + 1}",
                "station": str(i % 60 + 1),
                "branch": "north loop" if i % 2 else "south loop",
                "pump": ("lake", "river")[pump],
                "minutes": minutes,
                "depth_mm": depth,
                "net_depth_mm": depth - uneven,
                "volume_m3": volume,
                "source": "reclaimed" if runs else None,
                "volumes_m3": {"reclaimed": volume * 0.8, "well": volume * 0.2} if runs else {},
                "cycles": cycles,
                "finish_by": None,
                "why": "dry by tomorrow" if runs else "enough until its next run",
                "reason": REASONS[surface] if runs else "Stays inside its band until tomorrow night.",
                "state_from": str(rng.choice(["probe", "kin", "balance"])),
                "make": {
                    "area_m2": area,
                    "flow_lps": area * rate / 3600,
                    "rate_mm_h": 0.88 * rate,
                    "net_share": 0.88,
                    "smallest_run_min": 5.0,
                    "longest_run_min": 60.0,
                    "roots_by_layer": [0.5, 0.5],
                },
                "water_ec_dsm": 1.4,
                "before": {"depletion_mm": before, "surplus_mm": 0.0, **_salty(i), "spread_mm": 1.8},
                "after": {"depletion_mm": after, "surplus_mm": 0.0, **_salty(i), "spread_mm": 2.1},
                "limits": {
                    "taw_mm": taw,
                    "raw_mm": p * taw,
                    "dry_limit_mm": p * taw,
                    "wet_limit_mm": wet * taw,
                    "margin_mm": 1.2,
                    "max_run_min": 60.0,
                    "resolution_s": 60.0,
                    "soak_min": 0.0,
                },
                "balance": {
                    "depth_mm": depth,
                    "uneven_mm": uneven,
                    "etc_mm": etc,
                    "rain_mm": rain,
                    "runoff_mm": runoff,
                    "held_mm": 0.0,
                    "drainage_mm": drainage,
                },
                "path": path,
            }
        )
    volume = sum(z["volume_m3"] for z in rows)
    on = [z for z in rows if z["minutes"] > 0]
    tonight = {
        "night": evening.isoformat(),
        "allowed": True,
        "window": [{"start": opens.isoformat(), "end": closes.isoformat()}],
        "zones_running": len(on),
        "minutes": sum(z["minutes"] for z in rows),
        "volume_m3": volume,
        "eto_mm": 6.0,
        "volumes_m3": {"reclaimed": volume * 0.8, "well": volume * 0.2},
        "energy_kwh": volume * 0.32,
        "energy_cost": volume * 0.05,
        "cost": volume * 0.41,
        "limits": [
            {
                "name": "pump_limit",
                "what": "lake",
                "used": 24100.0,
                "capacity": 24100.0,
                "usable": 23800.0,
                "base": None,
                "before": None,
                "unit": "L/s min",
                "binds": True,
                "price": 0.8,
                "price_unit": "penalty per m3",
                "words": "The lake pump is full all night: 3 rough zones wait until Wednesday.",
            },
            {
                "name": "allocation_limit",
                "what": "season",
                "used": volume,
                "capacity": volume * 2,
                "usable": None,
                "base": None,
                "before": None,
                "unit": "m3",
                "binds": False,
                "price": 0.0,
                "price_unit": "penalty per m3",
                "words": "The season's allocation does not bind.",
            },
        ],
    }
    coming = [tonight]
    for n in range(1, nights):
        coming.append(
            {
                **tonight,
                "night": (evening + timedelta(days=n)).isoformat(),
                "allowed": n != 2,
                "window": []
                if n == 2
                else [{"start": f"2026-07-{14 + n}T22:00:00", "end": f"2026-07-{15 + n}T05:30:00"}],
                "zones_running": 0 if n == 2 else max(0, len(on) - 5),
                "minutes": 0.0 if n == 2 else tonight["minutes"] * 0.9,
                "volume_m3": 0.0 if n == 2 else volume * (1.05 - 0.1 * n),
                "energy_kwh": 0.0 if n == 2 else volume * 0.3,
                "energy_cost": 0.0 if n == 2 else volume * 0.05,
                "cost": 0.0 if n == 2 else volume * 0.4,
                "limits": tonight["limits"] if n == 1 else [],
            }
        )
    changes = [t for t in range(1440) if t == 0 or (flow[:, t] != flow[:, t - 1]).any()]
    return {
        "schema": "evenfall-plan/2",
        "site": {
            "name": "Sample Hollow",
            "units": units,
            "time_zone": "America/Los_Angeles",
            "latitude": 36.6,
            "longitude": -121.9,
            "zones": zones,
            "currency": "USD",
        },
        "pumps": [
            {
                "name": name,
                "capacity_lps": capacity,
                "smallest_flow_lps": 3.0,
                "under_smallest_min": 0.0,
                "energy_kwh": volume * 0.16,
                "highest_head_m": 71.0,
                "short_of_head_min": 0.0,
            }
            for name, capacity in (("lake", 62.0), ("river", 31.0))
        ],
        "night": evening.isoformat(),
        "made": "2026-07-14T21:02:11-07:00",
        "status": "planned" if on else "no water needed",
        "rung": "full",
        "rain": None,
        "inputs": {
            "weather": {
                "newest": "2026-07-14",
                "age_days": 0,
                "days": 104,
                "routes": {"penman-monteith": 102, "hargreaves": 2},
            },
            "forecast": {"issued": "2026-07-14T17:00:00-07:00", "age_days": 0.2, "days": 7, "members": 1},
            "probes": {"newest": "2026-07-14T20:30:00", "age_hours": 0.5, "read": 18, "used": 16, "doubtful": 2},
            "applied": {"newest": "2026-07-12", "age_days": 2, "nights": 96, "nights_as_planned": 0},
            "step_downs": [
                {
                    "what": "No applied log for July 13",
                    "why": "the plan of that night is taken as run; zones may be wetter or drier than shown.",
                }
            ],
        },
        "zones": rows,
        "nights": coming,
        "surfaces": [
            {
                "surface": s,
                "zones": sum(z["surface"] == s for z in rows),
                "running": sum(z["surface"] == s for z in on),
                "depth_mm": float(np.mean([z["depth_mm"] for z in on if z["surface"] == s] or [0.0])),
                "volume_m3": sum(z["volume_m3"] for z in rows if z["surface"] == s),
                "dry_zone_days": 3 if s == "rough" else 0,
                "wet_zone_days": 0,
                "worst_depletion_mm": max(p["depletion_mm"] for z in rows if z["surface"] == s for p in z["path"]),
            }
            for s in SURFACES
            if any(z["surface"] == s for z in rows)
        ],
        "allocation": {
            "volume_m3": 310000.0,
            "used_m3": 141000.0,
            "left_m3": 169000.0,
            "share_this_horizon_m3": 11800.0,
            "worth_per_m3": {
                "by_surface": {
                    s: {"volume_m3": float(s == "rough"), "less_dry_mm_days": 2.4 if s == "rough" else 0.0}
                    for s in {z["surface"] for z in rows}
                },
                "bill": 0.42,
                "words": "a little more in the allocation would go to rough",
            },
        },
        "give_way": [{"surface": "rough", "zones": 3, "words": "3 rough zones pass their dry limit for one day each."}],
        "flushes": [
            {
                "zone": rows[0]["id"],
                "nights": ["2026-07-16"],
                "by": "2026-07-18",
                "drainage_mm": 38.0,
                "leached_mm": 36.0,
                "depth_mm": 52.0,
                "ece_before_dsm": 6.1,
                "ece_after_dsm": 3.9,
                "likely_dsm": [3.1, 4.8],
                "layers_before_dsm": [5.2, 7.0],
                "layers_after_dsm": [2.9, 4.9],
                "lower_probe": "G01-15",
                "lower_probe_cm": 15.0,
                "again_by": "2026-07-28",
                "staged": False,
                "words": f"{rows[0]['name']} is flushed on Thursday night, four nights before the club event.",
            }
        ],
        "leaching": {
            "since": "2026-04-16",
            "surfaces": [
                {"surface": s, "entered_mm": 430.0, "drained_mm": 43.0, "achieved": 0.1, "required": 0.08}
                for s in SURFACES
                if any(z["surface"] == s for z in rows)
            ],
            "upkeep": [],
        },
        "flow": [
            {"minute": 22 * 60 + t, "pumps": {"lake": float(flow[0, t]), "river": float(flow[1, t])}} for t in changes
        ],
        "energy": [
            {
                "start": start.isoformat(),
                "end": end.isoformat(),
                "price": price,
                "volume_m3": volume * share,
                "energy_kwh": volume * 0.32 * share,
                "cost": volume * cost,
                "pumps": {"lake": volume * 0.16 * share, "river": volume * 0.16 * share},
            }
            for start, end, price, share, cost in (
                (opens, datetime(2026, 7, 14, 23), 0.3, 0.1, 0.01),
                (datetime(2026, 7, 14, 23), closes, 0.13, 0.9, 0.04),
            )
        ],
        "actions": [
            {
                "kind": "load the run times",
                "severity": "tonight",
                "where": "house 1",
                "what": "Load the table",
                "why": "the first run starts at ten",
                "by": opens.isoformat(),
            },
            {
                "kind": "check a probe",
                "severity": "tomorrow",
                "where": "probe P07",
                "what": "Check the probe",
                "why": "Stuck at 0.213",
                "by": None,
            },
        ],
        "weather": [
            {
                "day": (evening + timedelta(days=d)).isoformat(),
                "observed": d == 0,
                "eto_mm": 5.2,
                "rain_mm": 0.0,
                "rain_probability": None if d == 0 else 0.1,
                "tmin_degc": 15.0,
                "tmax_degc": 33.0,
                "rh_percent": 61.0,
                "wind_ms": 2.5,
            }
            for d in (0, 1)
        ],
        "events": [
            {
                "begins": "2026-07-17",
                "until": "2026-07-18",
                "kind": "tournament",
                "target": "green",
                "zones": 21,
                "note": "club cup",
                "firm_nights": ["2026-07-16", "2026-07-17", "2026-07-18"],
                "dry_nights": [],
                "no_flush_nights": ["2026-07-15", "2026-07-16", "2026-07-17", "2026-07-18"],
            }
        ],
        "uneven": None,
        "controllers": [],
        "percents": [],
        "changes": {
            "since": "2026-07-13",
            "meant_m3": volume * 0.9,
            "volume_m3": volume,
            "programme": [
                "2 zones run that did not on Mon Jul 13: 2 green (too dry by tomorrow without).",
                "60 zones run as then, minutes and starts.",
            ],
            "entries_changed": 4,
            "now_running": [z["id"] for z in on[:2]],
            "no_longer_running": [],
            "new_warnings": ["probe P12"],
            "gone_warnings": [],
        },
        "advice": [
            {
                "kind": "heat",
                "words": "Three days above 35 degC are forecast; plan a midday check of greens",
                "source": "common practice, no source",
            }
        ],
        "warnings": [
            {"kind": kind, "name": name, "zone": "", "subject": f"{what} {name or 'F063'}", "text": text}
            for kind, name, what, text in (
                ("probe", "P07", "probe", "Stuck at 0.213 since July 11; not used. Look at its cable."),
                ("probe", "P12", "probe", "Jumped by 0.11 within an hour without water or rain; trusted less."),
                ("other", "", "zone", "Ran 14 min less than planned on July 12."),
            )
        ],
    }

"""The nights ahead on the night sheet: zones within their bands, each night in a row, and the season's water."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np

from scheduler import edge
from scheduler.document.parts import PlanDocument
from scheduler.edge import wall
from scheduler.sheets.charts import SHOWN_BEYOND, BandChart, band_chart, share_bar
from scheduler.sheets.names import PLURALS, name_list

NARROWEST_BAND = 0.5  # [mm] a band narrower than this is drawn as if it were this wide


def moisture_bands(plan: PlanDocument) -> list[dict[str, Any]]:
    """One drawing per surface: the zones inside their own bands, now and over the coming nights, and who is outside."""
    units = plan.site.units
    sections = []
    for surface in plan.surfaces:
        zones = [z for z in plan.zones if z.surface == surface.surface]
        count = min((len(z.path) for z in zones), default=0)
        if not zones:
            continue
        dry = np.array([z.limits.dry_limit_mm for z in zones], float)
        wet = np.array([z.limits.wet_limit_mm for z in zones], float)
        states = [[z.before.depletion_mm, *(p.depletion_mm for p in z.path[:count])] for z in zones]
        place = (np.array(states, float) - wet[:, None]) / np.maximum(dry - wet, NARROWEST_BAND)[
            :, None
        ]  # (Z_s, N + 1)
        low, middle, high = np.quantile(place, [0.1, 0.5, 0.9], axis=0)
        days = [p.night + timedelta(days=1) for p in zones[0].path[:count]]
        outside = place.max(axis=0)
        chart = BandChart(
            low=low,
            middle=middle,
            high=high,
            driest=outside,
            labels=["now", *(edge.WEEKDAYS[d.weekday()][:3] for d in days)],
            wet_text=f"wet limit: {_below_full(float(np.median(wet)), units)}",
            dry_text=f"dry limit: {_below_full(float(np.median(dry)), units)}",
            alt=_band_words(PLURALS[surface.surface], middle),
        )
        beyond = (place > 1 + SHOWN_BEYOND) | (place < -SHOWN_BEYOND)
        sections.append(
            {
                "title": PLURALS[surface.surface],
                "drawing": band_chart(chart),
                "typical": float(np.ptp(dry)) > NARROWEST_BAND or float(np.ptp(wet)) > NARROWEST_BAND,
                "now_dry": name_list(zones[i] for i in np.flatnonzero(place[:, 0] > 1)),
                "next_dry": name_list(zones[i] for i in np.flatnonzero(place[:, 1] > 1)) if count else "",
                "now_wet": name_list(zones[i] for i in np.flatnonzero(place[:, 0] < 0)),
                "beyond": int(beyond.any(axis=1).sum()),
            }
        )
    return sections


def _below_full(depletion: float, units: str) -> str:
    return f"{edge.format_depth(depletion, units)} below full" if depletion > 0 else "full"


def _band_words(title: str, middle: np.ndarray) -> str:
    def where(place: float) -> str:
        if place < 0:
            return "wetter than the wet limit"
        if place > 1:
            return "drier than the dry limit"
        return f"{place * 100:.0f} % of the way from the wet to the dry limit"

    return f"{title}: the median zone is now {where(float(middle[0]))}, at the end {where(float(middle[-1]))}."


def coming_nights(plan: PlanDocument) -> list[dict[str, Any]]:
    """One row a night, tonight first."""
    units, currency = plan.site.units, plan.site.currency
    return [
        {
            "night": edge.format_short_date(n.night, units),
            "allowed": n.allowed,
            "window": ", ".join(
                f"{edge.format_time(wall(p.start), units)}–{edge.format_time(wall(p.end), units)}" for p in n.window
            ),
            "zones": edge.format_count(n.zones_running),
            "volume": edge.format_volume(n.volume_m3, units),
            "cost": "" if n.cost is None else edge.format_money(n.cost, currency),
            "limits": [limit.words for limit in n.limits if limit.binds],
        }
        for n in plan.nights
    ]


def allocation(plan: PlanDocument) -> dict[str, Any] | None:
    """Season's water as a bar and in words; None without allocation."""
    season = plan.allocation
    if season is None:
        return None
    units = plan.site.units
    whole = max(season.volume_m3, 1e-9)

    def volume(m3: float) -> str:
        return edge.format_volume(m3, units, beside=whole)

    horizon = sum(n.volume_m3 for n in plan.nights)
    used, planned = season.used_m3 / whole, horizon / whole
    lines = [
        f"Used before tonight: {volume(season.used_m3)} ({edge.format_percent(used)} of {volume(season.volume_m3)}).",
        f"Planned for the nights shown: {volume(horizon)}.",
        f"Left before tonight: {volume(season.left_m3)}.",
    ]
    if season.share_this_horizon_m3 is not None:
        share = volume(season.share_this_horizon_m3)
        lines.append(f"These nights may take {share} of it, so that the season's demand can still be met.")
    drawing = share_bar([(used, "solid"), (planned, "hatched")], " ".join(lines))
    return {"drawing": drawing, "lines": lines}

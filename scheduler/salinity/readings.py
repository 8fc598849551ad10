"""What samples and probes say of salinity: readings taken to ECe, placed in their zone and half of the roots."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd

from models.choices import SALT, SPREAD
from models.kin import kin_groups
from models.layers import Layers, equal_layers, fed_layers
from models.salts import held_by_sand, probe_corrections, probe_ece
from models.textures import TEXTURES
from scheduler.site import Site

WETTEST, LEAST_DAYS = 0.9, 10  # quantile of a probe's days that are its wettest; days without which it says nothing


def site_layers(site: Site, held: np.ndarray | None = None) -> Layers:
    """Two layers a zone, over what feeds its turf; the paste is the texture's, never less than a little above FC.

    `held` (Z,) [m3/m3] stands for field capacity where it is not NaN; what turf may draw stays as told.
    """
    zones = site.zones
    paste = np.maximum([TEXTURES[s].paste for s in zones.soil], zones.field_capacity + 0.02)
    more = 0.0 if held is None else np.nan_to_num(np.minimum(held, paste - 0.02) - zones.field_capacity)
    layers = equal_layers(zones.root_depth, zones.field_capacity + more, zones.wilting_point + more, paste)
    return fed_layers(layers, zones.root_depth, zones.fed_depth)


def held_over_gravel(site: Site, opening: pd.Timestamp) -> np.ndarray:
    """Water that sand over gravel holds by its probes of the last `SALT.followed_for` days, (Z,) [m3/m3]; else NaN.

    Zones of one surface and soil share what `held_by_sand` makes of their probes in the upper half.
    """
    zones = site.zones
    out = np.full(len(zones), np.nan)
    if not zones.over_gravel.any():
        return out
    rows = _placed(site, _calm(site, opening - timedelta(days=SALT.followed_for), opening, "moisture"))
    upper = layer_at(site, rows["z"].to_numpy(np.int64), rows["depth"].to_numpy(float)) == 0
    rows = rows[upper & zones.over_gravel[rows["z"]] & (rows["moisture"] > 0)]
    days = rows.groupby(["z", "probe", rows["time"].dt.normalize()])["moisture"].median().groupby(["z", "probe"])
    read = days.quantile(WETTEST)[days.size() >= LEAST_DAYS]
    kin = kin_groups(list(zones.surface), list(zones.soil), [""] * len(zones))
    of = kin[read.index.get_level_values("z").to_numpy(np.int64)]
    for group in np.unique(of):
        on = zones.over_gravel & (kin == group)
        out[on] = held_by_sand(read[of == group], zones.field_capacity[on])
    return out


def layer_samples(site: Site, before: pd.Timestamp) -> pd.DataFrame:
    """Laboratory samples up to `before`: date, z, layer, depth [cm], ece [dS/m], oldest first."""
    rows = site.samples[(site.samples["date"] <= before) & (site.samples["ece"] > 0)]
    index = pd.Series(np.arange(len(site.zones)), index=site.zones.zone)
    table = rows.assign(z=rows["zone"].map(index))
    table = table[table["z"].notna()].astype({"z": np.int64})
    table["layer"] = layer_at(site, table["z"].to_numpy(), table["depth"].to_numpy(float))
    return table.sort_values("date", kind="stable")


def recent_readings(site: Site, opening: pd.Timestamp) -> pd.DataFrame:
    """One row for each probe that can be trusted tonight: the median ECe of its last day, before any correction."""
    rows = site.probes
    rows = rows[(rows["time"] > opening - timedelta(days=SPREAD.oldest_reading)) & (rows["time"] <= opening)]
    rows = rows[rows["ec"].notna()]
    newest = rows.groupby("probe")["time"].transform("max")
    return median_ece(site, rows[rows["time"] > newest - timedelta(days=1)])


def calm_readings(site: Site, after: pd.Timestamp, opening: pd.Timestamp) -> pd.DataFrame:
    """Median ECe of each probe and day in the hours when nothing moves, before any correction; column `day` too.

    A probe that never reads in those hours counts with all its hours.
    """
    return median_ece(site, _calm(site, after, opening, "ec"), by_day=True)


def _calm(site: Site, after: pd.Timestamp, opening: pd.Timestamp, column: str) -> pd.DataFrame:
    """Readings of a column in the hours when nothing moves, all of a probe's that never reads it in those."""
    time = site.probes["time"]
    rows = site.probes[(time > after) & (time <= opening) & site.probes[column].notna()]
    hour = rows["time"].dt.hour
    calm = (hour >= SALT.calm_from) & (hour < SALT.calm_until)
    calm |= ~rows["probe"].isin(rows["probe"][calm].unique())
    return rows[calm]


def _placed(site: Site, rows: pd.DataFrame) -> pd.DataFrame:
    """Readings of probes that stood in a zone at their time, with its row `z` and their depth [cm]."""
    placed = rows.merge(site.probe_sites, on="probe", how="inner")
    begun = placed["from"].isna() | (placed["from"] <= placed["time"])
    standing = placed["until"].isna() | (placed["until"] >= placed["time"].dt.normalize())
    index = pd.Series(np.arange(len(site.zones)), index=site.zones.zone)
    placed = placed.assign(z=placed["zone"].map(index))[begun & standing]
    return placed[placed["z"].notna()].astype({"z": np.int64})


def median_ece(site: Site, rows: pd.DataFrame, by_day: bool = False) -> pd.DataFrame:
    """Median ECe of each probe (of each day) with its zone and layer: probe, z, layer, depth [cm], time, ece [dS/m].

    Bulk EC goes to 25 degC, to pore water and to the paste at the reading's own moisture. A reading without temperature
    counts as already at 25 degC. Too dry (below 0.10 m3/m3) or implausible readings are left out.
    """
    names = ["probe", "z", "layer", "depth", "time", "ece"]
    placed = _placed(site, rows[rows["ec"] > 0])
    if not len(placed):
        return pd.DataFrame({n: pd.Series(dtype=object if n == "probe" else float) for n in names}).astype(
            {"z": np.int64, "layer": np.int64, "time": "datetime64[ns]"}
        )
    paste = site_layers(site).paste[:, 0][placed["z"].to_numpy()]
    permittivity = placed["permittivity"].to_numpy(float) if "permittivity" in placed else None
    placed["ece"] = probe_ece(
        placed["ec"].to_numpy(float),
        placed["moisture"].to_numpy(float),
        placed["temperature"].fillna(25.0).to_numpy(float),
        paste,
        permittivity,
    )
    placed = placed[placed["ece"].between(SALT.least_ece, SALT.most_ece)]
    placed["layer"] = layer_at(site, placed["z"].to_numpy(), placed["depth"].to_numpy(float))
    keys = ["probe", "z", "layer", "depth"]
    if by_day:
        placed["day"] = placed["time"].dt.normalize()
        keys.append("day")
    groups = placed.groupby(keys)
    return pd.DataFrame({"time": groups["time"].max(), "ece": groups["ece"].median()}).reset_index()


def layer_at(site: Site, z: np.ndarray, depth_cm: np.ndarray) -> np.ndarray:
    """Layer that holds each depth: 0 in the upper half of what feeds the turf, else 1 (below that too)."""
    return (depth_cm / 100.0 > 0.5 * site.zones.fed_depth[z]).astype(np.int64)


def probe_factors(site: Site, samples: pd.DataFrame, opening: pd.Timestamp) -> dict[str, tuple[float, float]]:
    """What the samples say of each probe: the factor on its ECe, and its natural-log spread."""
    names = site.probe_sites["probe"].unique()
    if not len(names):
        return {}
    pairs = pd.DataFrame({"probe": [], "ece_x": [], "ece_y": []})
    if len(samples) and len(site.probes):
        days = samples["date"].to_numpy("datetime64[D]").astype(np.int64)
        near = np.unique(np.concatenate((days - 1, days, days + 1)))
        read_on = site.probes["time"].to_numpy("datetime64[D]").astype(np.int64)
        rows = site.probes[np.isin(read_on, near, kind="table") & (site.probes["time"] <= opening).to_numpy()]
        read = median_ece(site, rows, by_day=True)
        if len(read):
            pairs = samples.merge(read, on=["z", "layer"])
            close = (pairs["depth_x"] - pairs["depth_y"]).abs() <= SALT.pair_depth
            close &= (pairs["date"] - pairs["day"]).abs() <= timedelta(days=1)
            keys = ["probe", "z", "date", "depth_x"]
            pairs = pairs[close].groupby(keys, as_index=False)[["ece_x", "ece_y"]].median()
    index = pd.Series(np.arange(len(names)), index=names)
    found = probe_corrections(
        index[pairs["probe"]].to_numpy(np.int64) if len(pairs) else np.zeros(0, dtype=np.int64),
        pairs["ece_y"].to_numpy(float),
        pairs["ece_x"].to_numpy(float),
        len(names),
    )
    return {
        str(name): (float(f), float(s)) for name, f, s in zip(names, found.factor, found.log_spread, strict=True)
    }  # fmt: skip

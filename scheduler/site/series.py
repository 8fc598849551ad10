"""The series of a site: weather, forecast, probes, applied water, calendar, laboratory samples.

They are appended to and may hold overlaps, duplicates and gaps: later rows win, rows that belong to nothing known are
set aside, and each leaves a note with its number. The frames have the columns of site-format without units, in the
units inside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from models.sky import wind_at_2m
from scheduler.errors import counted, listing, near_miss, read_but
from scheduler.site.cells import Column
from scheduler.site.columns import CALENDAR, FILES
from scheduler.site.findings import Findings
from scheduler.site.likely import FEWEST, FEWEST_WINDS, STORMY, SWING, rain_in_inches
from scheduler.site.records import SURFACES
from scheduler.site.tables import FEEDS, Table
from scheduler.site.units import NUMBER

EDIT_WORDS, EDIT_LIST = ("hold", "skip", "free"), "hold, skip or free"
LONGEST_WORD = 1440  # [min]
LONGEST_LIST = 200  # [characters] of keys in one note
LIKELY_RAIN = 400.0  # a day's rain above it is possible and asks for a look [mm]; records are near 1800


def empty(columns: Sequence[Column]) -> pd.DataFrame:
    """Give a frame without rows that has the right columns and types."""
    return _empty(tuple(columns)).copy()


@cache
def _empty(columns: tuple[Column, ...]) -> pd.DataFrame:
    """Build it once: most files of a site are absent, and building each such frame takes as long as reading a file."""
    return pd.DataFrame({c.name: c.unknown(0) for c in columns})


def frame(table: Table, columns: Sequence[Column]) -> pd.DataFrame:
    """Give a table as a frame."""
    return pd.DataFrame({c.name: table.values[c.name] for c in columns}, copy=False)


def _latest(table: Table, data: pd.DataFrame, key: list[str], findings: Findings) -> pd.DataFrame:
    """Keep the last row of each key, sorted by key."""
    doubled = data.duplicated(key, keep="last")
    if doubled.any():
        what = " and ".join(key)
        measured = [c for c in data.columns if c not in key and c != "note"]
        apart = ~data.duplicated([*key, *measured], keep=False) & data.duplicated(key, keep=False)
        if apart.any() and key == ["date"]:  # a date has one weather; a log may be put right by a later row
            named = ", ".join(
                dict.fromkeys(" ".join(_shown(v) for v in row) for row in data.loc[apart, key].to_numpy())
            )
            findings.note(
                "warning",
                table.file,
                f"rows of the same {what} say different things; the later one is used: {named[:LONGEST_LIST]}",
            )
        findings.note(
            "info",
            table.file,
            f"{counted(int(doubled.sum()), 'row')} repeated by a later one of the same {what}; the later one is used",
        )
        data = data[~doubled]
    return data.sort_values(key, kind="stable").reset_index(drop=True)


def _shown(value: object) -> str:
    """Give a date without its midnight, anything else as it is."""
    return str(value).removesuffix(" 00:00:00").removesuffix("T00:00:00.000000000")


def _check_days(table: Table, findings: Findings) -> None:
    """Refuse days whose minimum is above the maximum."""
    v = table.values
    for low, high, what in (("tmin", "tmax", "temperature"), ("rhmin", "rhmax", "humidity")):
        if _unit_in_doubt(table, findings, low, high):
            continue  # the column is told once
        with np.errstate(invalid="ignore"):
            bad = v[low] > v[high]
        table.refuse(
            findings, low, bad,
            lambda row, low=low, high=high, what=what: read_but(
                table.written(low, v[low][row]),
                f"the least {what} cannot be above the greatest, {table.written(high, v[high][row])}",
            ),
        )  # fmt: skip


def _unit_in_doubt(table: Table, findings: Findings, *names: str) -> bool:
    """Whether a column as a whole was refused already, for its unit."""
    headers = [table.header(name) for name in names]
    at = (table.file, table.header_line)
    return any((p.file, p.line) == at and p.column in headers for p in findings.problems)


def _check_likely(table: Table, findings: Findings) -> None:
    """Say where a column without a unit reads like one in another unit."""
    v = table.values
    if table.file.startswith(FEEDS):
        return
    with np.errstate(invalid="ignore"):
        swing = v["tmax"] - v["tmin"]
    known = swing[np.isfinite(swing)]
    told = {"tmin", "tmax"} & table.stated or _unit_in_doubt(table, findings, "tmin", "tmax")
    if not told and known.size >= FEWEST and np.median(known) > SWING:
        findings.note("warning", table.file, (
            f"days differ from nights by {np.median(known):.0f} degrees; if tmin and tmax are in degF, write the "
            'headers as "tmin [degF]" and "tmax [degF]"'
        ))  # fmt: skip
    wind = v["wind"][np.isfinite(v["wind"])]
    if "wind" not in table.stated and wind.size >= FEWEST_WINDS and np.median(wind) > STORMY:
        findings.note("warning", table.file, (
            f"half of the days have a mean wind of {np.median(wind):.0f} m/s or more; if wind is in km/h or mph, write "
            'the header as "wind [km/h]" or "wind [mph]"'
        ))  # fmt: skip
    if "rain" not in table.stated and rain_in_inches(v["rain"]):
        findings.note("warning", table.file, (
            f"no day has more rain than {np.nanmax(v['rain']):g} mm; if rain is in inches, write the header as "
            '"rain [in]"'
        ))  # fmt: skip


def _day_values(table: Table, wind_height: float, findings: Findings) -> None:
    """Bring wind to 2 m; look at what is unlikely."""
    v = table.values
    _check_days(table, findings)
    _check_likely(table, findings)
    if wind_height != 2.0:
        v["wind"] = wind_at_2m(v["wind"], wind_height)
    for name in ("rhmin", "rhmax", "rh"):
        over = v[name] > 100
        if over.any():
            findings.note(
                "info",
                table.file,
                f"{counted(int(over.sum()), 'humidity', 'humidities')} of 100 to 105 % read as 100 %",
            )
            v[name] = np.minimum(v[name], 100.0)
    much = int((v["rain"] > LIKELY_RAIN).sum())
    if much:
        findings.note(
            "warning",
            table.file,
            f"{counted(much, 'day')} with more than {LIKELY_RAIN:g} mm of rain; please look at the unit",
        )
    fraction = np.nanmax(v["rhmax"], initial=-1.0)
    if 0 <= fraction <= 1.05:
        findings.note(
            "warning", table.file, "no rhmax is above 1 %; if these are fractions, name the unit: rhmax [fraction]"
        )


def build_weather(table: Table, wind_height: float, findings: Findings) -> pd.DataFrame:
    """Give the observed weather, one row a date, sorted."""
    _day_values(table, wind_height, findings)
    data = _latest(table, frame(table, FILES["weather"]), ["date"], findings)
    if len(data) > 1 and not data["date"].isna().any():
        missing = int((data["date"].iloc[-1] - data["date"].iloc[0]).days) + 1 - len(data)
        if missing:
            findings.note("warning", table.file, f"{counted(missing, 'date')} missing between the first and the last")
    lacking = int((data["eto"].isna() & (data["tmin"].isna() | data["tmax"].isna())).sum())
    if lacking:
        findings.note(
            "warning", table.file, f"{counted(lacking, 'date')} with neither eto nor both temperatures; no reference ET"
        )
    return data


def build_forecast(table: Table, wind_height: float, findings: Findings) -> pd.DataFrame:
    """Give the forecasts as issued, sorted by issue, member and date."""
    _day_values(table, wind_height, findings)
    return _latest(table, frame(table, FILES["forecast"]), ["issued", "member", "date"], findings)


def build_probes(table: Table, sites: pd.DataFrame, findings: Findings) -> pd.DataFrame:
    """Give the readings of probes that have a place, sorted by time and probe."""
    data = frame(table, FILES["probes"])
    codes, names = pd.factorize(data["probe"], use_na_sentinel=False)
    known = np.isin(names.astype(str), sites["probe"].astype(str).to_numpy())
    if not known.all():
        lost = ~known[codes]
        strangers = sorted(str(n) for n in names[~known])
        findings.note(
            "warning", table.file,
            f"{counted(int(lost.sum()), 'reading')} of probes that probe_sites.csv does not have set aside: "
            f"{listing(strangers, 8)}",
        )  # fmt: skip
        data, codes = data[~lost], codes[~lost]
    times = data["time"].to_numpy().astype("datetime64[s]").astype(np.int64)
    key = times * (len(names) + 1) + codes
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    last = np.append(ranked[1:] != ranked[:-1], True) if len(ranked) else np.zeros(0, dtype=bool)
    doubled = int((~last).sum())
    if doubled:
        findings.note(
            "info",
            table.file,
            f"{counted(doubled, 'reading')} repeated by a later row of the same time and probe; the later one is used",
        )
    return data.iloc[order[last]].reset_index(drop=True)


def _refuse_unknown_zone(table: Table, zones: Sequence[str] | None, findings: Findings) -> None:
    """Refuse rows whose zone zones.csv does not have."""
    if zones is None:
        return
    written = table.values["zone"]
    known = set(zones) | {""}
    bad = np.array([zone not in known for zone in written], dtype=bool)
    table.refuse(
        findings,
        "zone",
        bad,
        lambda row: read_but(written[row], f"a zone of zones.csv is allowed{near_miss(written[row], list(zones))}"),
    )


def build_probe_sites(table: Table, zones: Sequence[str] | None, findings: Findings) -> pd.DataFrame:
    """Give where each probe stood, and when."""
    _refuse_unknown_zone(table, zones, findings)
    data = frame(table, FILES["probe_sites"])
    backwards = (data["until"] < data["from"]).to_numpy()
    table.refuse(
        findings,
        "until",
        backwards,
        lambda row: read_but(str(data["until"][row])[:10], "a date not before from is allowed"),
    )
    lacking = int(data["depth"].isna().sum())
    if lacking:
        findings.note(
            "warning", table.file, f"{counted(lacking, 'row')} without a depth; the middle of the root zone is meant"
        )
    data = data.sort_values(["probe", "from"], kind="stable", na_position="first")
    begins = data["from"].fillna(pd.Timestamp.min).to_numpy()
    ends = data["until"].fillna(pd.Timestamp.max).to_numpy()
    probe, zone = data["probe"].to_numpy(), data["zone"].to_numpy()
    twice = np.zeros(len(data), dtype=bool)
    twice[1:] = (probe[1:] == probe[:-1]) & (zone[1:] != zone[:-1]) & (begins[1:] <= ends[:-1])
    # an open end is closed by the next place; only places that both say how long they held can contradict each other,
    # or two that begin on the same day
    stated = data["until"].notna().to_numpy()
    same_day = np.zeros(len(data), dtype=bool)
    same_day[1:] = begins[1:] == begins[:-1]
    both = np.zeros(len(data), dtype=bool)
    both[1:] = twice[1:] & (stated[:-1] & (begins[1:] < ends[:-1]) | same_day[1:])
    marked = np.zeros(len(data), dtype=bool)
    marked[data.index.to_numpy()] = both  # in the order of the file again
    table.refuse(
        findings,
        "probe",
        marked,
        lambda row: read_but(str(table.values["probe"][row]), "a probe in one zone at a time is allowed"),
    )
    return data.reset_index(drop=True)


def rename_zones(table: Table, formerly: Mapping[str, str]) -> None:
    """Put today's name of a zone in place of those it had before, in the columns that name zones."""
    for column in ("zone", "target"):
        if column in table.present:
            table.values[column] = np.array([formerly.get(z, z) for z in table.values[column]], dtype=object)


def build_applied(table: Table, zones: Sequence[str] | None, findings: Findings) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give what was really run, one row a night and zone: of the zones of zones.csv, and of others."""
    data = frame(table, FILES["applied"])
    gone = data.iloc[:0]
    if zones is not None:
        lost = ~data["zone"].isin(list(zones)).to_numpy()
        if lost.any():
            strangers = sorted(set(data["zone"][lost]))
            hint = near_miss(strangers[0], list(zones)) if len(strangers) == 1 else ""
            findings.note(
                "warning",
                table.file,
                f"{counted(int(lost.sum()), 'row')} of zones that zones.csv does not have set aside: "
                f"{listing(strangers, 8)}{hint}",
            )
            data, gone = data[~lost], data[lost]
            gone = gone.drop_duplicates(["night", "zone"], keep="last").sort_values(["night", "zone"], kind="stable")
    nothing = int((data["minutes"].isna() & data["volume"].isna()).sum())
    if nothing:
        findings.note("warning", table.file, f"{counted(nothing, 'row')} with neither minutes nor volume set aside")
        data = data[data["minutes"].notna() | data["volume"].notna()]
    return _latest(table, data, ["night", "zone"], findings), gone.reset_index(drop=True)


def build_samples(table: Table, zones: Sequence[str] | None, findings: Findings) -> pd.DataFrame:
    """Give the laboratory samples, sorted by date."""
    _refuse_unknown_zone(table, zones, findings)
    return _latest(table, frame(table, FILES["samples"]), ["date", "zone", "depth"], findings)


def build_calendar(table: Table, zones: Sequence[str] | None, findings: Findings) -> pd.DataFrame:
    """Give the events: from, until (same day if empty), target (a surface or a zone), event, note.

    A row that names neither surface nor zone is meant for the whole site and becomes one row a surface; of a row that
    names both, the zone counts.
    """
    v = table.values
    allowed = [*SURFACES, *(zones or ())]
    for column in ("target", "zone"):
        if column in table.present:
            known = set(allowed if column == "target" else zones or ()) | {""}
            bad = np.array([name not in known for name in v[column]], dtype=bool)
            if zones is None:
                bad[:] = False
            table.refuse(
                findings,
                column,
                bad,
                _target_words(v[column], allowed if column == "target" else list(zones or ()), column),
            )
    until = np.where(np.isnat(v["until"]), v["from"], v["until"])
    table.refuse(
        findings,
        "until",
        until < v["from"],
        lambda row: read_but(str(until[row])[:10], f"a date not before {str(v['from'][row])[:10]} is allowed"),
    )
    target = np.where(v["zone"] != "", v["zone"], np.where(v["target"] != "", v["target"], v["surface"]))
    data = pd.DataFrame({"from": v["from"], "until": until, "target": target, "event": v["event"], "note": v["note"]})
    whole = data["target"] == ""
    if whole.any():
        findings.note(
            "info", table.file, f"{counted(int(whole.sum()), 'row')} without surface and zone, read as the whole site"
        )
        every = data[whole].drop(columns="target").merge(pd.DataFrame({"target": list(SURFACES)}), how="cross")
        data = pd.concat([data[~whole], every[data.columns]])
    return data.drop_duplicates().sort_values(["from", "until", "target"], kind="stable").reset_index(drop=True)


def _target_words(written: np.ndarray, allowed: list[str], column: str) -> Any:
    what = "a zone of zones.csv" if column == "zone" else "a surface or a zone of zones.csv"
    return lambda row: read_but(written[row], f"{what} is allowed{near_miss(written[row], allowed)}")


def empty_calendar() -> pd.DataFrame:
    """Give a calendar without rows."""
    data = empty([c for c in CALENDAR if c.name in ("from", "until", "target", "event", "note")])
    return data


def build_fed(
    name: str, table: Table, zones: Sequence[str] | None, sites: pd.DataFrame, wind_height: float, findings: Findings
) -> pd.DataFrame:
    """Give the frame of a series that a feed may bring: weather, forecast, probes or applied."""
    if name == "weather":
        return build_weather(table, wind_height, findings)
    if name == "forecast":
        return build_forecast(table, wind_height, findings)
    if name == "probes":
        return build_probes(table, sites, findings)
    return build_applied(table, zones, findings)[0]


def build_edits(table: Table, zones: Sequence[str] | None, findings: Findings) -> pd.DataFrame:
    """Give the manager's word, one row a night and zone: word ("hold", "skip", "free" or "minutes") and minutes."""
    _refuse_unknown_zone(table, zones, findings)
    written = [str(text).strip().lower() for text in table.values["minutes"]]
    number = [NUMBER.fullmatch(text) is not None and 0 <= float(text) <= LONGEST_WORD for text in written]
    known = [n or text in EDIT_WORDS for n, text in zip(number, written, strict=True)]
    table.refuse(
        findings,
        "minutes",
        ~np.array(known, dtype=bool) & np.array([text != "" for text in written], dtype=bool),
        lambda row: read_but(table.values["minutes"][row], f"minutes from 0 to {LONGEST_WORD}, {EDIT_LIST} is allowed"),
    )
    data = pd.DataFrame(
        {
            "night": table.values["night"],
            "zone": table.values["zone"],
            "word": np.array(["minutes" if n else text for n, text in zip(number, written, strict=True)], dtype=object),
            "minutes": np.array([float(t) if n else np.nan for n, t in zip(number, written, strict=True)], dtype=float),
            "note": table.values["note"],
        }
    )
    return _latest(table, data, ["night", "zone"], findings)

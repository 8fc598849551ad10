"""site.toml as text -> `Settings`: every fault with its line and key.

Types and limits are those of `scheduler.site.schema`; defaults and references are settled in `scheduler.site.settle`.
An unknown key that resembles a known one is a problem, since its meaning would be lost; any other unknown key is noted
and not used.
"""

from __future__ import annotations

import re
import tomllib
import types
from pathlib import Path
from typing import Any, get_args, get_origin
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ValidationError

from scheduler.errors import listing, near_miss, read_but, shown
from scheduler.site import schema
from scheduler.site.csv_text import read_bytes
from scheduler.site.findings import SITE_TOML, Findings, TomlFindings
from scheduler.site.settle import Settings, find_zone, settle
from scheduler.site.toml_lines import key_lines, line_of, path_words
from scheduler.site.unattended import settle_unattended

_LISTS = ("pump", "branch", "controller", "source", "restriction", "tariff", "feed")


def read_settings(folder: Path, findings: Findings) -> Settings:
    """Read site.toml.

    Parameters
    ----------
    folder : Path
        The site folder.
    findings : Findings
        Receives every problem and note.

    Returns
    -------
    Settings
        Usable as a site's settings only if no problem was found.
    """
    data = read_bytes(folder / SITE_TOML, SITE_TOML, findings, indispensable=True)
    if data is None:
        return Settings(names=dict.fromkeys(("pump", "branch", "controller", "source")), longitude=float("nan"))
    text = data.decode("utf-8")
    try:
        raw = tomllib.loads(re.sub(r"\r\n?", "\n", text))
    except (tomllib.TOMLDecodeError, RecursionError, ValueError, OverflowError) as reason:
        place = re.search(r"\(at line (\d+), column (\d+)\)", str(reason))
        line = int(place[1]) if place else len(text.splitlines())
        what = re.sub(r"\s*\(at .*\)$", "", str(reason)) if str(reason) else type(reason).__name__
        found = re.split(r"\r\n?|\n", text)[line - 1].strip() if 0 < line <= text.count("\n") + 1 else ""
        findings.problem(
            SITE_TOML,
            line,
            None,
            read_but(found, f"this is not TOML ({shown(what)}); texts stand in quotes, dates are like 2026-07-14"),
        )
        return Settings(names=dict.fromkeys(("pump", "branch", "controller", "source")), longitude=float("nan"))
    reader = TomlFindings(findings, key_lines(text.replace("\r\n", "\n").replace("\r", "\n")))
    for key in _LISTS:
        if isinstance(raw.get(key), dict):
            raw[key] = [raw[key]]
            _move_lines(reader.lines, key)
    for parent, key in (("window", "by_day"), ("allocation", "tier")):
        if isinstance(raw.get(parent), dict) and isinstance(raw[parent].get(key), dict):
            raw[parent][key] = [raw[parent][key]]
    model = _validate(raw, reader)
    if model is None:
        latitude, longitude = _raw_place(raw)
        return Settings(
            names=_raw_names(raw), columns=_raw_columns(raw), time_zone=_raw_zone(raw),
            latitude=latitude, longitude=longitude,
        )  # fmt: skip
    settings = settle(model, reader)
    settle_unattended(model, settings, reader)
    return settings


def _move_lines(lines: dict[tuple[Any, ...], int], key: str) -> None:
    """Let the lines of `[pump]` be those of the only `[[pump]]`."""
    for path, line in list(lines.items()):
        if path[0] == key:
            lines[(key, 0, *path[1:])] = line


def _validate(raw: dict[str, Any], reader: TomlFindings) -> schema.SiteFile | None:
    """Check types and limits; unknown keys that resemble a known one are problems, others are left out with a note."""
    faulty = False
    for _ in range(2):  # the second time without the unknown keys
        try:
            model = schema.SiteFile.model_validate(raw)
            return None if faulty else model
        except ValidationError as reason:
            errors = reason.errors(include_url=False)
        extras = [e for e in errors if e["type"] == "extra_forbidden"]
        for error in extras:
            faulty |= _unknown_key(raw, error["loc"], reader)
        if not extras:
            break
    for error in errors:
        if error["type"] != "extra_forbidden":
            faulty = True
            reader.problem(error["loc"], message_of(error) + _swapped(raw, error["loc"]))
    return None


def _swapped(raw: dict[str, Any], path: tuple[Any, ...]) -> str:
    """Say so where latitude and longitude stand in each other's place."""
    if path != ("site", "latitude"):
        return ""
    latitude, longitude = (raw["site"].get(key) for key in ("latitude", "longitude"))
    both = all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in (latitude, longitude))
    swapped = both and abs(longitude) <= 90 < abs(latitude) <= 180
    return f"; they may be swapped: write latitude = {longitude:g} and longitude = {latitude:g}" if swapped else ""


def _unknown_key(raw: dict[str, Any], path: tuple[Any, ...], reader: TomlFindings) -> bool:
    """Report one unknown key and take it out; True if it is a problem."""
    holder: Any = raw
    for part in path[:-1]:
        holder = holder[part]
    key = path[-1]
    known = _known_keys(path[:-1])
    hint = near_miss(str(key), known)
    if hint:
        reader.problem(path, f"this key is not known{hint}")
    else:
        line = line_of(reader.lines, path)
        place = f"line {line}: " if line else ""
        reader.note("warning", f'{place}the key "{shown(path_words(path))}" is not known and was not used')
    holder.pop(key, None)
    return bool(hint)


def _known_keys(path: tuple[Any, ...]) -> list[str]:
    """Give the keys a table of the schema may hold."""
    model: Any = schema.SiteFile
    any_name = False  # a table of tables: the next part is a name of the site's own
    for part in path:
        if any_name:
            any_name = False
            continue
        if isinstance(part, int) or not (isinstance(model, type) and issubclass(model, BaseModel)):
            continue
        model = next((f.annotation for n, f in model.model_fields.items() if part in (n, f.alias)), None)
        any_name = get_origin(model) is dict
        while get_origin(model) is not None or isinstance(model, types.UnionType):
            model = next((a for a in reversed(get_args(model)) if a is not type(None)), None)
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        return []
    return [f.alias or name for name, f in model.model_fields.items()]


def message_of(error: Any) -> str:
    """Say one finding of pydantic in our words."""
    kind, value = error["type"], error["input"]
    if kind == "missing":
        return "this key is missing; it is needed"
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", error["ctx"]["expected"])
        return read_but(value, f"allowed: {listing(allowed)}{near_miss(str(value), allowed)}")
    if kind == "value_error":
        return read_but(value, str(error["ctx"]["error"]))
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return read_but(value, "a table of keys is needed here")
    if kind == "list_type":
        return read_but(value, f"a list of tables is needed here, each begun by [[{path_words(error['loc'])}]]")
    if kind == "string_type":
        return read_but(value, "a text is needed")
    return read_but(value, error["msg"])


def _raw_names(raw: dict[str, Any]) -> dict[str, list[str] | None]:
    """Give the names of the lists as far as they can be read from a file that has problems."""
    names: dict[str, list[str] | None] = {}
    for key in ("pump", "branch", "controller", "source"):
        items = raw.get(key, [])
        good = isinstance(items, list) and all(isinstance(i, dict) and isinstance(i.get("name"), str) for i in items)
        names[key] = [i["name"].strip() for i in items] if good else None
    return names


def _raw_columns(raw: dict[str, Any]) -> dict[str, dict[str, str]]:
    columns = raw.get("columns")
    if not isinstance(columns, dict):
        return {}
    return {k: {a: b for a, b in v.items() if isinstance(b, str)} for k, v in columns.items() if isinstance(v, dict)}


def _raw_zone(raw: dict[str, Any]) -> ZoneInfo:
    site = raw.get("site")
    name = site.get("time_zone") if isinstance(site, dict) else None
    return find_zone(name if isinstance(name, str) else "UTC") or ZoneInfo("UTC")


def _raw_place(raw: dict[str, Any]) -> tuple[float, float]:
    """Latitude and longitude as far as they can be read; without both the longitude is NaN: nothing is far."""
    site = raw.get("site")
    site = site if isinstance(site, dict) else {}
    read = [site.get("latitude"), site.get("longitude")]
    known = [
        isinstance(v, (int, float)) and not isinstance(v, bool) and abs(v) <= most
        for v, most in zip(read, (90, 180), strict=True)
    ]
    return float(read[0]) if known[0] else 0.0, float(read[1]) if all(known) else float("nan")

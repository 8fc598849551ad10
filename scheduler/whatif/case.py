"""Cases: files of a site's `cases/` folder and keys given on the command line, checked like site.toml, combined.

A case is one or several parts that all stand: `drought-order+one-pump-down` is both files at once. Each part binds from
its own `from` until its own `until`, and orders of it only its `surfaces`. Factors of several parts multiply, shifts
add up, bans unite, of nights a week the fewest count, and every cut and allowance stands by itself; what cannot be true
twice (an allocation in place of the season's, a window, tiers) is refused where two parts name it differently.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from scheduler.errors import InputProblems, Problem, listing, near_miss, read_but, shown
from scheduler.site import Site
from scheduler.site.settings import message_of
from scheduler.site.toml_lines import key_lines, line_of, path_words
from scheduler.whatif.schema import NUMERIC, CaseKeys, unknown_key
from scheduler.whatif.surcharge import step_price

FOLDER = "cases"
ONCE = ("allocation", "window", "tiers")  # keys that cannot stand twice with different values
SHARED = ("from", "until", "surfaces", "title")  # keys that `--set` changes in every part
LONGEST_NAME = 60  # characters of a folder or column named after a case


@dataclass(frozen=True)
class Part:
    """One file, or the keys of `--set`: `name` as messages call it, its keys, and the line of each."""

    name: str
    keys: CaseKeys
    lines: dict[tuple[Any, ...], int]

    def stands(self, night: date) -> bool:
        """Whether the part binds on a night."""
        keys = self.keys
        return (keys.starts is None or keys.starts <= night) and (keys.ends is None or night <= keys.ends)

    def on(self, dates: Sequence[date]) -> np.ndarray:
        """Nights on which it binds, shape (N,)."""
        return np.array([self.stands(d) for d in dates], dtype=bool)

    def binds(self, surface: np.ndarray) -> np.ndarray:
        """Zones that its orders bind, shape (Z,)."""
        if self.keys.surfaces is None:
            return np.ones(len(surface), dtype=bool)
        return np.isin(surface, sorted(self.keys.surfaces))

    def problem(self, key: str, message: str) -> Problem:
        """A problem at one of its keys."""
        return Problem(self.name, line_of(self.lines, tuple(key.split("."))), key, message)


@dataclass(frozen=True)
class Case:
    """What is put to the plan: `name` for files and columns, `title` for people, and the parts that stand together.

    Without parts it is the site as it is.
    """

    name: str
    title: str
    parts: tuple[Part, ...] = ()

    @property
    def key(self) -> str:
        """The same text for cases that ask the same, whatever they are called and in which order parts are named."""
        parts = [p.keys.model_dump(mode="json", exclude={"title"}, exclude_none=True) for p in self.parts]
        return json.dumps(sorted(({k: _plain(v) for k, v in p.items()} for p in parts), key=str), sort_keys=True)


AS_IT_IS = Case("as-it-is", "As it is")


def _plain(value: Any) -> Any:
    return sorted(value) if isinstance(value, (set, frozenset)) else value


def read_cases(site: Site, named: Sequence[str], given: Sequence[str] = ()) -> tuple[Case, ...]:
    """Read cases and check them against the site.

    Parameters
    ----------
    site : Site
    named : sequence of str    Names in the folder `cases/` or paths of files; several joined by `+` are one case.
                               Without any, every file of the folder, or only what `given` says.
    given : sequence of str    `key=value` of the command line; added to every case, in place of the same key there.

    Returns
    -------
    tuple of Case

    Raises
    ------
    InputProblems   All problems of all cases.
    """
    problems: list[Problem] = []
    extra = _given(given, problems)
    if not named and not extra:
        named = sorted(path.stem for path in (site.folder / FOLDER).glob("*.toml"))
        if not named:
            problems.append(Problem(FOLDER, None, None, "the folder holds no case; name one, or give --set KEY=VALUE"))
    cases = [_case(site, text, extra, problems) for text in dict.fromkeys(named)]
    if not named and extra:
        part = _part("--set", extra, {}, problems)
        words = ", ".join(f"{k} {_words(v)}" for k, v in extra.items() if k not in SHARED)
        cases = [None if part is None else Case(_slug(words), part.keys.title or words, (part,))]
    found = [case for case in cases if case is not None]
    for case in found:
        problems += _against(site, case)
    if problems:
        raise InputProblems(problems)
    return tuple(found)


def has_cases(site: Site) -> bool:
    """Whether the site's folder holds any case."""
    return any((site.folder / FOLDER).glob("*.toml"))


def with_value(site: Site, case: Case, key: str, value: float) -> Case:
    """Give the case with one numeric key at a value: a point of a sweep.

    Raises
    ------
    InputProblems   The key is not one of `NUMERIC`, or the value is not allowed there.
    """
    problems: list[Problem] = []
    if key not in NUMERIC:
        words = f'"{shown(key)}" cannot be swept; allowed: {listing(NUMERIC, 20)}{near_miss(key, NUMERIC)}'
        raise InputProblems([Problem("--sweep", None, None, words)])
    number: Any = round(value) if key == "nights_a_week" else value
    head, _, tail = key.partition(".")
    alone = _checked("--sweep", {head: {tail: number} if tail else number}, {}, problems)
    if alone is None:
        raise InputProblems(problems)
    wanted = getattr(alone.keys, head)
    parts = list(case.parts)
    at = next((i for i, p in enumerate(parts) if getattr(p.keys, head) is not None), None)
    if at is None:
        parts.append(alone)
    else:
        keys = parts[at].keys
        if tail:
            wanted = getattr(keys, head).model_copy(update={tail: getattr(wanted, tail)})
        parts[at] = replace(parts[at], keys=keys.model_copy(update={head: wanted}))
    problems += [fault for part in parts for fault in _inside(part)]
    changed = Case(f"{key}={value:g}", f"{key.replace('_', ' ')} {value:g}", tuple(parts))
    problems += [] if problems else _against(site, changed)
    if problems:
        raise InputProblems(problems)
    return changed


def _case(site: Site, text: str, extra: dict[str, Any], problems: list[Problem]) -> Case | None:
    """One case of one or several files, with the keys of the command line."""
    files = [_file(site, name.strip(), problems) for name in text.split("+")]
    if any(f is None for f in files):
        return None
    before, parts, used = len(problems), [], dict(extra)
    _checked("--set", {k: v for k, v in extra.items() if not isinstance(v, dict)}, {}, problems)
    for path in files if len(problems) == before else ():
        name = f"{FOLDER}/{path.name}" if path.parent == site.folder / FOLDER else str(path)
        raw, lines = _toml(path, name, problems)
        if raw is None:
            continue
        asked_anew = False
        for key, value in extra.items():
            if key in SHARED:
                raw[key] = value
            elif isinstance(raw.get(key), dict) and isinstance(value, dict):
                raw[key] = raw[key] | value
                used.pop(key, None)
            elif key in raw and key in used:  # with the dates and surfaces of the first file that has it
                raw[key] = used.pop(key)
            else:
                asked_anew |= raw.pop(key, None) is not None
        if asked_anew and not set(raw) - set(SHARED):
            continue
        part = _part(name, raw, lines, problems)
        parts += [] if part is None else [part]
    if set(used) - set(SHARED):
        part = _part("--set", used, {}, problems)
        parts += [] if part is None else [part]
    if len(problems) > before:
        return None
    names = [path.stem for path in files]
    titles = [p.keys.title or n for p, n in zip(parts, names, strict=False)]
    words = [f"{k} {_words(v)}" for k, v in extra.items() if k not in SHARED]
    return Case(_slug("+".join(names + words)), "; ".join(dict.fromkeys([*titles, *words])), tuple(parts))


def _file(site: Site, name: str, problems: list[Problem]) -> Path | None:
    """Find a case by its name in the folder, or by its path."""
    folder = site.folder / FOLDER
    for path in (folder / f"{name}.toml", folder / name, Path(name)):
        if name and path.is_file():
            return path
    known = sorted(path.stem for path in folder.glob("*.toml"))
    words = f"allowed: {listing(known)}, or the path of a file{near_miss(name, known)}" if known else "give its path"
    problems.append(Problem(FOLDER, None, None, f'there is no case "{shown(name)}"; {words}'))
    return None


def _toml(path: Path, name: str, problems: list[Problem]) -> tuple[dict[str, Any] | None, dict[tuple[Any, ...], int]]:
    """Read a file as TOML, with the line of each key."""
    try:
        text = re.sub(r"\r\n?", "\n", path.read_bytes().decode("utf-8-sig"))
    except UnicodeDecodeError:
        problems.append(Problem(name, None, None, "this is not UTF-8 text; save it as UTF-8"))
        return None, {}
    try:
        return tomllib.loads(text), key_lines(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError, OverflowError) as reason:
        place = re.search(r"\(at line (\d+)", str(reason))
        line = int(place[1]) if place else max(len(text.splitlines()), 1)
        lines = text.split("\n")
        what = re.sub(r"\s*\(at .*\)$", "", str(reason))
        found = lines[line - 1].strip() if line <= len(lines) else ""
        words = f"this is not TOML ({shown(what)}); texts stand in quotes, dates are like 2026-07-14"
        problems.append(Problem(name, line, None, read_but(found, words)))
        return None, {}


def _part(
    name: str, raw: dict[str, Any], lines: dict[tuple[Any, ...], int], problems: list[Problem]
) -> Part | None:  # fmt: skip
    """Check the keys of one part by themselves, and with each other."""
    part = _checked(name, raw, lines, problems)
    faults = [] if part is None else list(_inside(part))
    problems += faults
    return None if faults else part


def _checked(
    name: str, raw: dict[str, Any], lines: dict[tuple[Any, ...], int], problems: list[Problem]
) -> Part | None:  # fmt: skip
    """Check type and limits of every key."""
    try:
        keys = CaseKeys.model_validate(raw)
    except ValidationError as reason:
        for error in reason.errors(include_url=False):
            path = tuple(p for p in error["loc"])
            words = unknown_key(path) if error["type"] == "extra_forbidden" else message_of(error)
            column = None if error["type"] == "extra_forbidden" else path_words(path)
            problems.append(Problem(name, line_of(lines, path), column, words))
        return None
    return Part(name, keys, lines)


def _inside(part: Part) -> Iterable[Problem]:
    """What contradicts itself within one part."""
    keys = part.keys
    if keys.starts and keys.ends and keys.ends < keys.starts:
        yield part.problem("until", read_but(keys.ends, f"a date not before {keys.starts} is allowed"))
    if keys.base is not None and keys.cut is None:
        yield part.problem("base", "this says of what a cut is taken, and there is no cut; add for example cut = 0.2")
    if (keys.allowance is None) != (keys.per is None):
        have, miss = ("allowance", "per") if keys.per is None else ("per", "allowance")
        yield part.problem(have, f'"{miss}" is missing; both are needed, for example allowance = 900 and per = "week"')
    if keys.allowance is not None and keys.per is not None:
        number, kind = keys.allowance
        if keys.per == "m2_month" and number > MOST_PER_AREA:
            words = f'{number:g} m3 on each m2 and month is more than any turf takes; for a depth write "60 mm"'
            yield part.problem("allowance", words)
        if keys.per != "m2_month" and kind == "depth":
            words = f'a volume is needed for per = "{keys.per}"; a depth goes with per = "m2_month"'
            yield part.problem("allowance", words)
    asked = set(keys.model_fields_set) - {"title", "starts", "ends", "surfaces"}
    if not asked:
        yield Problem(part.name, None, None, "the case changes nothing; it has no key but its title and dates")


MOST_PER_AREA = 1.0  # [m3/m2] in a month: 1000 mm


def _against(site: Site, case: Case) -> list[Problem]:
    """What a case says that the site does not have, or that two of its parts say differently."""
    found: list[Problem] = []
    for part in case.parts:
        keys = part.keys
        lists = (
            ("pump_out", keys.pump_out, [p.name for p in site.pumps], "pump"),
            ("source_off", keys.source_off, [s.name for s in site.sources], "source"),
            ("zones_off", keys.zones_off, [str(z) for z in site.zones.zone], "zone"),
            ("surfaces", keys.surfaces, sorted(set(site.zones.surface)), "surface with zones"),
            ("surfaces_off", keys.surfaces_off, sorted(set(site.zones.surface)), "surface with zones"),
        )
        for key, names, known, noun in lists:
            for name in sorted(names or ()):
                if name not in known:
                    allowed = f"allowed: {listing(known)}{near_miss(name, known)}" if known else "the site names none"
                    found.append(part.problem(key, f'the site has no {noun} "{shown(name)}"; {allowed}'))
        for key in ("allocation", "allocation_factor", "tiers"):
            if getattr(keys, key) is not None and site.allocation is None:
                words = "site.toml has no [allocation], so its season and volume are not known; add it there, or use "
                found.append(part.problem(key, words + '"allowance"'))
        found += _steps(site, part)
        if keys.pump_capacity_factor is not None and not site.pumps:
            found.append(part.problem("pump_capacity_factor", "the site has no [[pump]]"))
        if keys.temperature_shift is not None and not (
            site.weather["tmax"].notna().any() or site.forecast["tmax"].notna().any()
        ):
            words = "weather.csv and forecast.csv hold no temperatures to shift; use eto_factor"
            found.append(part.problem("temperature_shift", words))
    for key in ONCE:
        said = [(p, getattr(p.keys, key)) for p in case.parts if getattr(p.keys, key) is not None]
        for part, value in said[1:]:
            if value != said[0][1]:
                words = f"{said[0][0].name} says something else of it, and both cannot stand; combine other cases"
                found.append(part.problem(key, words))
    return found


def _steps(site: Site, part: Part) -> Iterable[Problem]:
    """What is wrong with steps of over-use at the prices of the site."""
    before = 0.0
    for step in part.keys.tiers or ():
        try:
            price = step_price(step.price, site.sources)
        except ValueError as reason:
            yield part.problem("tiers", str(reason))
            continue
        if price < before:
            yield part.problem("tiers", read_but(f"{price:g}", "prices must not fall from step to step"))
        before = price


def _given(pairs: Sequence[str], problems: list[Problem]) -> dict[str, Any]:
    """Read `key=value` of the command line; values as in a file, quotes may be left out."""
    raw: dict[str, Any] = {}
    for pair in pairs:
        key, mark, text = pair.partition("=")
        key = key.strip()
        if not mark or not key or not text.strip():
            problems.append(Problem("--set", None, None, read_but(pair, "KEY=VALUE is allowed, allocation_factor=0.8")))
            continue
        value = _value(text.strip())
        head, _, tail = key.partition(".")
        if tail:
            raw[head] = (raw[head] if isinstance(raw.get(head), dict) else {}) | {tail: value}
        else:
            raw[key] = value
    return raw


def _value(text: str) -> Any:
    """A value of the command line: as TOML, else a list where there are commas, else the text."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        pass
    parts = [part.strip().strip("\"'") for part in text.split(",") if part.strip()]
    return parts if len(parts) > 1 else text


def _words(value: Any) -> str:
    if isinstance(value, dict):
        return " ".join(f"{k} {_words(v)}" for k, v in value.items())
    if isinstance(value, list):
        return ", ".join(map(_words, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _slug(text: str) -> str:
    """A name that may stand as a folder and a column."""
    plain = re.sub(r"[^A-Za-z0-9+._-]+", "-", text).strip("-.") or "case"
    return plain[:LONGEST_NAME]

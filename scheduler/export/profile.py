"""Export profiles: a small TOML file that says what a run-time table looks like.

A profile is checked when it is loaded; every fault is reported with the file and the key. The shipped profiles in
`profiles/` are their own documentation: copy one into the site folder, change it, and name the copy in
`[[controller]] profile`.
"""

from __future__ import annotations

import string
import tomllib
from collections import Counter
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from scheduler.errors import InputProblems, Problem, listing, read_but

SHIPPED = Path(__file__).with_name("profiles")
DEFAULT_PROFILE = "plain"

TIME_FIELDS = ("run_time", "start", "end")
FieldName = Literal[
    "station", "zone", "name", "surface", "controller", "source", "night", "text",
    "run_time", "start", "end", "depth", "volume", "cycle", "cycles", "programme", "order", "starts", "percent",
]  # fmt: skip


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=False, allow_inf_nan=False)


class FileShape(_Strict):
    """`[file]`: the kind of file.

    `guard_formulas` puts an apostrophe before a CSV text cell that begins with = + - @ or an apostrophe, so that no
    spreadsheet runs it as a formula; reading back takes it off again. Switch it off only for a controller that
    refuses it.

    `label_line` writes, above the table of a plan that is not the full one, a line with `# ` and what it is. Switch it
    off only for a controller that refuses it; JSON tables have none.
    """

    format: Literal["csv", "json", "fixed_width", "xlsx"] = "csv"
    stem: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,60}$")] = "run-times"
    delimiter: Literal[",", ";", "\t", "|"] = ","
    decimal: Literal[".", ","] = "."
    header: bool = True
    byte_order_mark: bool = False
    line_end: Literal["lf", "crlf"] = "lf"
    one_per_controller: bool = False
    only_running: bool = False
    longest_cell: Annotated[int, Field(ge=0, le=10_000)] = 0
    guard_formulas: bool = True
    label_line: bool = True


class TimeShape(_Strict):
    """`[time]`: how a run time is written, rounded down to `resolution` seconds or to `percent_step`."""

    form: Literal["minutes", "seconds", "mm:ss", "hh:mm", "percent"] = "minutes"
    resolution: Annotated[float, Field(gt=0, le=3600)] = 60.0
    base: Annotated[float, Field(gt=0)] | None = None
    percent_step: Annotated[float, Field(gt=0, le=100)] = 1.0
    largest_run: Annotated[float, Field(gt=0)] | None = None
    clock: Literal["HH:MM", "HH:MM:SS", "iso"] = "HH:MM"

    @model_validator(mode="after")
    def _fits(self) -> TimeShape:
        if self.form == "percent" and self.base is None:
            raise ValueError("form percent needs base, the run time in minutes that 100 percent stands for")
        if self.form != "percent" and self.base is not None:
            raise ValueError("base is only for form percent")
        if self.form == "hh:mm" and self.resolution % 60:
            raise ValueError("form hh:mm needs a resolution of whole minutes, for example 60")
        if self.form in ("seconds", "mm:ss") and self.resolution % 1:
            raise ValueError("this form needs a resolution of whole seconds")
        return self

    @property
    def step(self) -> float:
        """Smallest step of a run time [min]."""
        if self.form == "percent" and self.base is not None:
            return self.percent_step * self.base / 100
        return self.resolution / 60


class Column(_Strict):
    """`[[column]]`: one column, in order."""

    heading: Annotated[str, Field(min_length=1)]
    field: FieldName
    cycle: Annotated[int, Field(ge=1, le=50)] | None = None
    text: str = ""
    unit: Literal["mm", "in", "m3", "gal"] | None = None
    decimals: Annotated[int, Field(ge=0, le=4)] = 1
    width: Annotated[int, Field(ge=1, le=200)] | None = None
    align: Literal["left", "right"] = "left"

    @model_validator(mode="after")
    def _fits(self) -> Column:
        allowed = {"depth": ("mm", "in"), "volume": ("m3", "gal")}.get(self.field, ())
        if self.unit is not None and self.unit not in allowed:
            raise ValueError(read_but(self.unit, f"allowed for this field: {listing(allowed) or 'no unit'}"))
        if self.cycle is not None and self.field not in TIME_FIELDS:
            raise ValueError("cycle is only for the fields run_time, start and end")
        return self


class Profile(_Strict):
    """A whole profile: how the table of run times looks.

    `cycles` says what a row's run time is: all of the night's, one cycle a row, cycles side by side, or `each`: what a
    programme runs at one of its starts, for controllers that take no start time a station.
    """

    title: str
    file: FileShape = FileShape()
    station: Annotated[str, Field(min_length=1)] = "{station}"
    time: TimeShape = TimeShape()
    cycles: Literal["total", "rows", "columns", "each"] = "total"
    column: tuple[Column, ...]

    @field_validator("station")
    @classmethod
    def _pattern(cls, pattern: str) -> str:
        try:
            names = [
                (name, conversion) for _, name, _, conversion in string.Formatter().parse(pattern) if name is not None
            ]
        except ValueError as reason:
            raise ValueError(f"{read_but(pattern, 'not a pattern')}: {reason}") from reason
        for name, conversion in names:
            if name not in ("controller", "station", "zone") or conversion:
                raise ValueError(
                    read_but(pattern, "allowed inside braces: controller, station, zone, as in {station:03}")
                )
        return pattern

    @model_validator(mode="after")
    def _fits(self) -> Profile:
        faults = [
            f'the heading "{h}" is there twice' for h, n in Counter(c.heading for c in self.column).items() if n > 1
        ]
        if not any(c.field in ("zone", "station") for c in self.column):
            faults.append("a column with field zone or station is needed, to know which zone a row is for")
        runs = [c.cycle for c in self.column if c.field == "run_time"]
        if self.cycles == "columns":
            if not runs or sorted(r or 0 for r in runs) != list(range(1, len(runs) + 1)):
                faults.append("cycles as columns needs run_time columns with cycle = 1, 2, 3 and so on, each once")
        elif runs != [None]:
            faults.append("exactly one column with field run_time and no cycle is needed")
        if self.cycles != "columns" and any(c.cycle is not None for c in self.column):
            faults.append('cycle in a column needs cycles = "columns"')
        if self.file.format == "fixed_width":
            faults += [f'column "{c.heading}" needs a width' for c in self.column if c.width is None]
            faults += [
                f'the heading "{c.heading}" is wider than its column'
                for c in self.column
                if self.file.header and c.width is not None and len(c.heading) > c.width
            ]
        if self.file.format == "csv" and self.file.delimiter == self.file.decimal:
            faults.append("delimiter and decimal must differ")
        if faults:
            raise ValueError("; ".join(faults))
        return self

    @property
    def key_field(self) -> str:
        """Field that says which zone a row is for: zone if the table has it, else station."""
        return "zone" if any(c.field == "zone" for c in self.column) else "station"


def shipped_profiles() -> tuple[str, ...]:
    """Names of the profiles that come with the project."""
    return tuple(sorted(p.stem for p in SHIPPED.glob("*.toml")))


def load_profile(name_or_path: str | Path, folder: Path | None = None) -> Profile:
    """Read and check a profile.

    Parameters
    ----------
    name_or_path : str or Path      A shipped profile's name, or the path of a TOML file.
    folder : Path, optional         Folder from which a relative path counts, usually the site folder.

    Returns
    -------
    Profile                         Ready to use.

    Raises
    ------
    InputProblems                   No such profile, not TOML, or faults in it, all together.
    """
    text = str(name_or_path) or DEFAULT_PROFILE
    if text in shipped_profiles():
        path = SHIPPED / f"{text}.toml"
    elif text.endswith(".toml"):
        path = (folder or Path()) / text
    else:
        allowed = f"allowed: {listing(shipped_profiles())}, or the path of a .toml file"
        raise InputProblems([Problem("site.toml", None, "controller.profile", read_but(text, allowed))])
    try:
        raw: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as reason:
        raise InputProblems([Problem(text, None, None, f"cannot be read ({reason.strerror})")]) from reason
    except ValueError as reason:  # TOML and UTF-8 faults
        raise InputProblems([Problem(path.name, None, None, f"this is not TOML: {reason}")]) from reason
    try:
        return Profile.model_validate(raw)
    except ValidationError as reason:
        raise InputProblems(
            [
                Problem(path.name, None, ".".join(map(str, e["loc"])) or None, e["msg"].removeprefix("Value error, "))
                for e in reason.errors()
            ]
        ) from reason

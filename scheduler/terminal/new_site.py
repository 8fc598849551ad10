"""`evenfall new`: what it asks, and what it says it wrote."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import typer
from rich.console import Console

from scheduler.errors import counted
from scheduler.starter import Answers, Written, answered
from scheduler.starter.answers import COUNTS, EC, SOURCE

QUESTIONS = {  # key: what is asked, what is taken if one only presses Enter
    "units": ("Units, us or metric", "us"),
    "latitude": ("Latitude in degrees, south negative", "38.5"),
    "longitude": ("Longitude in degrees, west negative", "-121.7"),
    "elevation": ("Height above the sea, such as 1410 ft or 430 m", "20 m"),
    "surfaces": ("Zones of each surface", ", ".join(f"{s}={n}" for s, n in COUNTS.items())),
    "controllers": ("Controllers by name", "A"),
    "sources": ("Waters, with their EC in dS/m", f"{SOURCE}={EC}"),
}
OF_A_TABLE = ("surfaces",)  # not asked where a table of zones is given

Asker = Callable[[str, str], str]


def ask(
    name: str | None, title: str, zones: Path | None, given: dict[str, str | None], asker: Asker | None = None
) -> tuple[str, Path | None, dict[str, str | None]]:
    """Ask what no option said; Enter takes what stands in brackets. An answer that cannot be read is asked again.

    Parameters
    ----------
    name : str or None          Name to offer, None where an option gave it.
    title : str                 The name so far.
    zones : Path or None        Table of zones.
    given : dict                Answers that options gave, None where not.
    asker : callable            Asks one question and gives the answer; the terminal if None.
    """
    put = asker or (lambda words, offered: typer.prompt(words, default=offered, show_default=bool(offered)))
    found = dict(given)
    if name is not None:
        title = _until_read(put, "Name of the site", title, lambda text: answered(text).name)
    if zones is None:
        text = put("Your own table of zones, .xlsx or .csv; Enter for made ones", "").strip().strip("'\"")
        zones = Path(text).expanduser() if text else None
    for key, (words, offered) in QUESTIONS.items():
        if found[key] is None and not (zones is not None and key in OF_A_TABLE):
            found[key] = _until_read(put, words, offered, lambda text, key=key: answered(title, **{key: text}))
    return title, zones, found


def _until_read(put: Asker, words: str, offered: str, read: Callable[[str], object]) -> str:
    """Ask until the answer can be read."""
    while True:
        text = put(words, offered)
        try:
            read(text)
        except ValueError as reason:
            typer.echo(str(reason))
            continue
        return text


def print_new_site(screen: Console, folder: Path, answers: Answers, written: Written) -> None:
    """Say what was written, what was understood, and what comes next."""
    for line in written.told:
        screen.print(line, highlight=False, markup=False)
    screen.print(
        f"{counted(len(written.files), 'file')} written to {folder}: {answers.name}, {answers.latitude:g}, "
        f"{answers.longitude:g}, {answers.time_zone}.", highlight=False, markup=False,
    )  # fmt: skip
    screen.print(
        "Weather, forecast, probes, log, samples and meter are invented and end today: put your own in their place.",
        highlight=False, markup=False,
    )  # fmt: skip
    screen.print(f"Next: evenfall check {folder}, then evenfall tonight {folder}", highlight=False, markup=False)

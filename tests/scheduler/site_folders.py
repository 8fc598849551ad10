"""Small site folders written by hand, for the tests."""

from pathlib import Path

from scheduler.errors import InputProblems, Problem
from scheduler.site import Site, load_site

TOML = """[site]
name = "Tiny"
latitude = 36.6
longitude = -121.9
elevation = 30
time_zone = "America/Los_Angeles"
units = "metric"
"""
ZONES = "zone,surface,area,flow\nG1,green,450,1.5\nF1,fairway,2000,6\n"


def write(folder: Path, toml: str | bytes = TOML, zones: str | bytes | None = ZONES, **files: str | bytes) -> Path:
    """Write a site folder: site.toml, zones.csv and any other table by its name."""
    folder.mkdir(exist_ok=True)
    for name, content in (("site.toml", toml), ("zones.csv", zones), *((f"{n}.csv", c) for n, c in files.items())):
        if content is not None:
            (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    return folder


def site(folder: Path, toml: str | bytes = TOML, zones: str | bytes | None = ZONES, **files: str | bytes) -> Site:
    """Write a site folder and read it."""
    return load_site(write(folder, toml, zones, **files))


def problems(
    folder: Path, toml: str | bytes = TOML, zones: str | bytes | None = ZONES, **files: str | bytes
) -> tuple[Problem, ...]:
    """Write a site folder and give the problems of reading it; none if it could be read."""
    try:
        site(folder, toml, zones, **files)
    except InputProblems as found:
        return found.problems
    return ()


def lines(folder: Path, toml: str | bytes = TOML, zones: str | bytes | None = ZONES, **files: str | bytes) -> list[str]:
    """Give the problems as people read them."""
    return [str(problem) for problem in problems(folder, toml, zones, **files)]

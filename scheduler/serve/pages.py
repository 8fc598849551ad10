"""Pages put together: the sheets with a bar of links above them, and the pages that only the server has."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse

from scheduler.edge import format_short_date
from scheduler.serve.guard import Rule, policy
from scheduler.serve.sites import Served

TEMPLATES = Path(__file__).with_name("templates")
LINKS = (
    ("tonight", "Tonight"),
    ("zones", "Zones"),
    ("morning", "Morning"),
    ("salts", "Salts"),
    ("season", "Season"),
    ("whatif", "What if"),
    ("edits", "Hold or skip"),
    ("intake", "Bring in data"),
    ("history", "All nights"),
)


def day(night: date) -> str:
    """A night as people of either system of units read it.

    >>> day(date(2026, 7, 14))
    'Tue 14 Jul 2026'
    """
    return f"{format_short_date(night, 'metric')} {night.year}"


_environment = Environment(
    loader=FileSystemLoader(TEMPLATES),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_environment.filters["day"] = day


def page(name: str, rule: Rule, status: int = 200, **values: Any) -> HTMLResponse:
    """Render a page of our own."""
    text = _environment.get_template(f"{name}.html.jinja").render(form=rule.form, **values)
    return HTMLResponse(text, status, {"content-security-policy": policy(text)})


def sheet(path: Path, site: Served, here: str, several: bool, night: date | None = None) -> HTMLResponse:
    """Give a sheet as it stands in the folder, with the bar of links above it."""
    text = path.read_text(encoding="utf-8")
    bar = _environment.get_template("bar.jinja").render(site=site, links=LINKS, here=here, several=several, night=night)
    head, mark, body = text.partition("<body>")
    text = f"{head}{mark}{bar}{body}" if mark else text
    text = text.replace("</head>", '<link rel="stylesheet" href="/static/bar.css">\n</head>', 1)
    return HTMLResponse(text, 200, {"content-security-policy": policy(text)})

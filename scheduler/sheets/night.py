"""The night sheet: one self-contained HTML file for a phone in the hand and for A4 paper.

`night_sheet(plan)` gives the page as text, `write_night_sheet(plan, path)` puts it on the disk. The page needs no
script and asks for nothing from outside. The template only places what `sections.py` has turned into words and
numbers.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from scheduler.document.parts import PlanDocument
from scheduler.document.rung import LABELS
from scheduler.files import write_atomic
from scheduler.sheets.compiled import BesideModules
from scheduler.sheets.sections import sheet_sections

TEMPLATES = Path(__file__).with_name("templates")


def night_sheet(plan: PlanDocument) -> str:
    """Make the night sheet of a plan.

    Parameters
    ----------
    plan : PlanDocument

    Returns
    -------
    str                             A whole HTML page.
    """
    return environment().get_template("night.html.jinja").render(**sheet_sections(plan), rung=LABELS[plan.rung])


def write_night_sheet(plan: PlanDocument, path: Path) -> Path:
    """Write the night sheet in one step.

    Raises
    ------
    OSError                         The file cannot be written; the old one is unchanged.
    """
    return write_atomic(path, night_sheet(plan))


@lru_cache(maxsize=1)
def environment() -> Environment:
    """Templates of all sheets; every value is escaped, and a name the template does not know is an error."""
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        bytecode_cache=BesideModules(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )

"""The files of an account: all of them, or none."""

from __future__ import annotations

import json
from pathlib import Path

from scheduler.files import whole_set, write_atomic
from scheduler.season.account import Record
from scheduler.season.document import SeasonDocument
from scheduler.season.pages import Pictures, account_page, statement_page, summary_page
from scheduler.season.span import Span
from scheduler.season.tables import nights_csv
from scheduler.season.workbook import workbook_bytes
from scheduler.site import Site


def season_folder(site: Site, span: Span) -> Path:
    """Where an account's files go unless told otherwise."""
    return site.folder / "season" / f"{span.first.isoformat()}_{span.last.isoformat()}"


def write_season(document: SeasonDocument, record: Record, folder: Path) -> list[Path]:
    """Write the account.

    Returns
    -------
    list of Path    The files, the page to open first in front.

    Raises
    ------
    OSError         The folder cannot be written; what stood there is unchanged.
    """
    pictures = Pictures.of(document)
    files: dict[str, str | bytes] = {
        "season.html": account_page(document, pictures),
        "summary.html": summary_page(document, pictures),
        "statement.html": statement_page(document),
        "season.xlsx": workbook_bytes(document, record),
        "nights.csv": nights_csv(record),
        "season.json": json.dumps(document.plain(), ensure_ascii=False, separators=(",", ":")) + "\n",
    }
    with whole_set(folder) as place:
        for name, content in files.items():
            write_atomic(place / name, content)
    return [Path(folder) / name for name in files]

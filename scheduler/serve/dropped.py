"""A file dropped on the page: looked over as a document of a feed is, and kept whole or not at all."""

from __future__ import annotations

from datetime import datetime

from scheduler.feeds.bulletin import Refused
from scheduler.feeds.store import add_rows
from scheduler.feeds.table import read_csv
from scheduler.site import Site
from scheduler.site.load import FED

LARGEST = 20 * 1024 * 1024  # bytes


def take_dropped(site: Site, series: str, data: bytes, now: datetime) -> int:
    """Take the rows of a dropped CSV file into a series.

    Parameters
    ----------
    site : Site
    series : str     "weather", "forecast", "probes" or "applied".
    data : bytes
    now : datetime

    Returns
    -------
    int   Rows that are new.

    Raises
    ------
    Refused   It is of another kind or has a problem; nothing is kept.
    """
    if series not in FED:
        raise Refused(f"{series} is none of {', '.join(FED)}")
    if len(data) > LARGEST:
        raise Refused(f"the file is larger than {LARGEST // 2**20} MiB")
    if b"\0" in data[:4096]:
        raise Refused("it is no text; save the sheet as CSV")
    bulletin = read_csv(data.removeprefix(b"\xef\xbb\xbf"), series, site, {})
    if bulletin.rows.empty:
        raise Refused("it holds no rows")
    return add_rows(site, series, bulletin.rows, now)

"""What a site says of its unattended evening, once read: feeds, who is told, and the hours of the nightly run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Feed:
    """One place a series comes from by itself.

    Parameters
    ----------
    name : str
    series : str            "forecast", "weather", "probes" or "applied".
    kind : str              "url", "file" or "command".
    location : tuple of str   The address or path, or the words of a command; `${NAME}` stands for a secret.
    format : str            "daily_arrays", "geojson_series", "interval_layers" or "csv".
    every : float           Least time between two fetches [min].
    timeout : float         Longest wait for an answer [s].
    headers : tuple of (str, str)   Sent with a request; values may hold `${NAME}`.
    columns : mapping       Header of a CSV document -> column of the series, with or without a unit.
    """

    name: str
    series: str
    kind: str
    location: tuple[str, ...]
    format: str
    every: float
    timeout: float
    headers: tuple[tuple[str, str], ...]
    columns: Mapping[str, str]


@dataclass(frozen=True)
class NoticeRule:
    """Who is told of a night: by mail (`to`, `sender`, `server` host:port, user, password), by a POST to `webhook`.

    when : "always" or "trouble";  attach : whether the night sheet goes with it;  plain : no TLS with the mail server.
    Values of `password`, `webhook` and `headers` may hold `${NAME}`, the name of an environment variable.
    """

    when: str
    to: tuple[str, ...]
    sender: str
    server: str
    user: str
    password: str
    plain: bool
    webhook: str
    headers: tuple[tuple[str, str], ...]
    attach: bool


@dataclass(frozen=True)
class NightlyRule:
    """The unattended evening: when it begins and by when a plan must stand, tables to write besides, where to copy.

    starts, by : int or None    [min after 00:00 of the evening's date]; None = before the opening, see
                                `scheduler.nightly.hours`.
    profiles : tuple of str     Export profiles written besides the controllers' own.
    copy_to : str               Folder the run-time tables are copied to, "" = nowhere.
    """

    starts: int | None = None
    by: int | None = None
    profiles: tuple[str, ...] = ()
    copy_to: str = ""

"""The tables of the ledger, as they are today. A change here needs a step in `migrations.py`.

Several sites can share one database: every row hangs on a site, directly or through its probe. Text is text in both
databases:

* a date or night is `YYYY-MM-DD`; a local time `YYYY-MM-DDTHH:MM:SS`; a moment of ours the same in UTC with a `Z`;
* the time of a probe reading is an integer: seconds of the site's own clock since 1970-01-01T00:00 on that clock.
  Readings carry no offset in the files, so none is invented here; an hour that an autumn night shows twice is one.

Readings are by far the most rows, so they are keyed by (probe, time) and stored in that order: the last days of a
probe are one short walk, however many years lie before them, and re-reading a file finds its rows without an index of
their own.

==============  =====================================  =================================================================
table           key                                    holds
==============  =====================================  =================================================================
sites           key                                    the sites of this database
intakes         intake                                 who read or wrote what, when
probes          site, name                             short numbers for probes
readings        probe, time                            probe readings
reading_days    probe, day                             digest of the rows last taken in of that day: the same rows again
                                                       need not be compared one by one
weather         site, date                             observed days
forecasts       site, issued, member, date             forecasts as issued
applied         site, night, zone                      what really ran
samples         site, date, zone, depth                laboratory salinity
meter           site, meter, time, starts              readings of water meters; a new count beside the end of the old
events          site, from, until, target, event       the calendar; an event taken out of it is kept as withdrawn
placements      site, probe, from                      where each probe stood; withdrawn as events are
flags           site, probe, rule, what, starts        doubtful readings, with reasons; withdrawn when no longer raised
estimates       site, night, zone                      where each zone stood
plans           plan                                   every plan as published, whole; never changed, never deleted
outlooks        site, key                              seasons ahead, lived through once: a case in one weather year
learned         learned                                what was learned of a zone, and whether it was accepted
history         entry                                  what a row said before it was replaced, and who replaced it
==============  =====================================  =================================================================
"""

from __future__ import annotations

import sqlalchemy as sa

UNKNOWN_DEPTH = -1.0  # in keys, where a depth is not known [cm]

metadata = sa.MetaData()


def _number(name: str) -> sa.Column[float]:
    return sa.Column(name, sa.Double)


def _words(name: str, *, key: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text, primary_key=key, nullable=False, server_default=None if key else "")


def _site(*, key: bool = True) -> sa.Column[int]:
    return sa.Column(
        "site_id", sa.Integer, sa.ForeignKey("sites.site_id"), primary_key=key, nullable=False, autoincrement=False
    )


def _intake() -> sa.Column[int]:
    return sa.Column("intake_id", sa.Integer, nullable=False)  # who wrote the row as it is now


def _withdrawn() -> sa.Column[int]:
    return sa.Column("withdrawn", sa.Integer, nullable=False, server_default="0")  # 1 = no longer stands


schema_version = sa.Table("schema_version", metadata, sa.Column("version", sa.Integer, nullable=False))

sites = sa.Table(
    "sites",
    metadata,
    sa.Column("site_id", sa.Integer, primary_key=True),
    sa.Column("key", sa.Text, nullable=False, unique=True),
)

intakes = sa.Table(
    "intakes",
    metadata,
    sa.Column("intake_id", sa.Integer, primary_key=True),
    _site(key=False),
    _words("made_at"),
    _words("who"),
    _words("what"),
    sa.Column("new_rows", sa.Integer, nullable=False, server_default="0"),
    sa.Column("changed_rows", sa.Integer, nullable=False, server_default="0"),
    sqlite_autoincrement=True,
)

probes = sa.Table(
    "probes",
    metadata,
    sa.Column("probe_id", sa.Integer, primary_key=True),
    _site(key=False),
    _words("name"),
    sa.UniqueConstraint("site_id", "name"),
)

readings = sa.Table(
    "readings",
    metadata,
    sa.Column("probe_id", sa.Integer, sa.ForeignKey("probes.probe_id"), primary_key=True, autoincrement=False),
    sa.Column("time", sa.BigInteger, primary_key=True, autoincrement=False),
    _number("moisture"),  # [m3/m3]
    _number("ec"),  # bulk [dS/m]
    _number("temperature"),  # [degC]
    _number("permittivity"),  # [-]
    _intake(),
    sqlite_with_rowid=False,
)

reading_days = sa.Table(
    "reading_days",
    metadata,
    sa.Column("probe_id", sa.Integer, sa.ForeignKey("probes.probe_id"), primary_key=True, autoincrement=False),
    sa.Column("day", sa.Integer, primary_key=True, autoincrement=False),  # whole days since 1970-01-01, site's clock
    sa.Column("digest", sa.BigInteger, nullable=False),
    sqlite_with_rowid=False,
)

DAY_VALUES = ("tmin", "tmax", "rhmin", "rhmax", "rh", "wind", "solar", "sunshine", "rain", "eto")

weather = sa.Table(
    "weather",
    metadata,
    _site(),
    _words("date", key=True),
    *(_number(name) for name in DAY_VALUES),
    _intake(),
    sqlite_with_rowid=False,
)

forecasts = sa.Table(
    "forecasts",
    metadata,
    _site(),
    _words("issued", key=True),
    _words("member", key=True),
    _words("date", key=True),
    *(_number(name) for name in DAY_VALUES),
    _number("rain_probability"),
    _intake(),
    sqlite_with_rowid=False,
)

applied = sa.Table(
    "applied",
    metadata,
    _site(),
    _words("night", key=True),
    _words("zone", key=True),
    _number("minutes"),
    _number("volume"),  # [m3]
    _words("note"),
    _intake(),
    sqlite_with_rowid=False,
)

samples = sa.Table(
    "samples",
    metadata,
    _site(),
    _words("date", key=True),
    _words("zone", key=True),
    sa.Column("depth", sa.Double, primary_key=True),  # [cm]
    _number("ece"),  # [dS/m]
    _intake(),
    sqlite_with_rowid=False,
)

meter = sa.Table(
    "meter",
    metadata,
    _site(),
    _words("meter", key=True),
    _words("time", key=True),  # a moment, in UTC
    sa.Column("starts", sa.Integer, primary_key=True, autoincrement=False),  # 1 = a new count: the meter was exchanged
    _number("reading"),  # [m3]
    _words("source"),
    _words("kind"),
    _number("rolls_over_at"),  # [m3]
    _words("note"),
    _intake(),
    sqlite_with_rowid=False,
)

events = sa.Table(
    "events",
    metadata,
    _site(),
    _words("from", key=True),
    _words("until", key=True),
    _words("target", key=True),
    _words("event", key=True),
    _words("note"),
    _withdrawn(),
    _intake(),
    sqlite_with_rowid=False,
)

placements = sa.Table(
    "placements",
    metadata,
    _site(),
    _words("probe", key=True),
    _words("from", key=True),  # "" = always
    _words("until"),  # "" = still
    _words("zone"),
    _number("depth"),  # [cm]
    _withdrawn(),
    _intake(),
    sqlite_with_rowid=False,
)

flags = sa.Table(
    "flags",
    metadata,
    _site(),
    _words("probe", key=True),
    _words("rule", key=True),
    _words("what", key=True),  # which value is doubted: moisture, ec, temperature, or "readings" that are missing
    sa.Column("starts", sa.BigInteger, primary_key=True, autoincrement=False),  # as the time of a reading
    sa.Column("ends", sa.BigInteger, nullable=False),  # the last reading meant
    _words("reason"),
    _withdrawn(),
    _intake(),
    sqlite_with_rowid=False,
)

estimates = sa.Table(
    "estimates",
    metadata,
    _site(),
    _words("night", key=True),
    _words("zone", key=True),
    _number("depletion"),  # [mm]
    _number("spread"),  # standard deviation of the depletion [mm]
    _number("ece"),  # [dS/m]
    _words("state_from"),
    _words("detail"),  # JSON, whatever else the estimate wants remembered
    _intake(),
    sqlite_with_rowid=False,
)

plans = sa.Table(
    "plans",
    metadata,
    sa.Column("plan_id", sa.Integer, primary_key=True),
    _site(key=False),
    _words("night"),
    _words("made"),  # as the document says
    _words("status"),
    _words("published_at"),
    _words("digest"),  # of the document without the moment it was made
    sa.Column("supersedes", sa.Integer, sa.ForeignKey("plans.plan_id")),
    sa.Column("document", sa.LargeBinary, nullable=False),  # JSON, compressed by zlib
    sa.Column("brief", sa.LargeBinary),  # its run times and where zones stood before, likewise; version 1 had none
    sa.UniqueConstraint("site_id", "night", "supersedes"),  # a plan is superseded once
    sqlite_autoincrement=True,
)
sa.Index("plans_by_night", plans.c.site_id, plans.c.night)

outlooks = sa.Table(
    "outlooks",
    metadata,
    _site(),
    _words("key", key=True),  # digest of all it hangs on
    _words("made_at"),
    _words("case_name"),
    _words("weather_year"),
    sa.Column("outlook", sa.LargeBinary, nullable=False),  # JSON, compressed by zlib
    sqlite_with_rowid=False,
)

learned = sa.Table(
    "learned",
    metadata,
    sa.Column("learned_id", sa.Integer, primary_key=True),
    _site(key=False),
    _words("zone"),
    _words("quantity"),
    _number("before"),
    _number("value"),
    _number("low"),
    _number("high"),
    _words("evidence"),
    _words("proposed_at"),
    _words("decision"),  # "" = open, "accepted", "rejected", "replaced" by a newer proposal
    _words("decided_at"),
    _words("decided_by"),
    sqlite_autoincrement=True,
)
sa.Index("learned_by_zone", learned.c.site_id, learned.c.quantity, learned.c.zone)

history = sa.Table(
    "history",
    metadata,
    sa.Column("entry", sa.Integer, primary_key=True),
    _site(key=False),
    _words("series"),
    _words("row_key"),  # JSON list, in the order of the key
    _words("said"),  # JSON object, the values before
    sa.Column("written_by", sa.Integer, nullable=False),  # intake that wrote what was replaced
    sa.Column("replaced_by", sa.Integer, nullable=False),  # intake that replaced it
    sqlite_autoincrement=True,
)
sa.Index("history_by_row", history.c.site_id, history.c.series, history.c.row_key)

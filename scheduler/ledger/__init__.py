"""The ledger: what came in, what was decided, what was learned; kept for ever, changed only with history.

Map of the folder::

    tables.py  migrations.py    the tables as they are; the steps from older versions
    connect.py                  open_ledger: a SQLite file in the site folder, or a PostgreSQL URL for a group of sites
    merge.py  readings.py       rows by their natural key: new, replaced with history, or the same
    writers.py                  estimates, published plans, learned values, flags
    outlooks.py                 seasons ahead that were lived through
    queries.py                  what is asked
    intake.py                   what the site folder says, brought in, and the readings looked over
    keeping.py                  a site together with its ledger: the one door for the commands

Promise: what a writer has returned from is on the disk. A program that is killed at any moment leaves a ledger that
opens as it was before the transaction it died in.
"""

from scheduler.ledger.connect import Ledger, LedgerUnusable, default_url, open_ledger
from scheduler.ledger.merge import Counts
from scheduler.ledger.writers import Published, decide_learned, propose_learned, publish_plan, write_estimates

__all__ = [
    "Counts",
    "Ledger",
    "LedgerUnusable",
    "Published",
    "decide_learned",
    "default_url",
    "open_ledger",
    "propose_learned",
    "publish_plan",
    "write_estimates",
]

"""One rung of the ladder in a process of its own, so that it can be ended at the deadline: `python -m ...worker`.

It prints one line of JSON at the end: the exit code, what went wrong, and what was written.
"""

from __future__ import annotations

import gc
import json
import os
import sys
from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from pathlib import Path

from scheduler.document.rung import Rung


@dataclass(frozen=True)
class Outcome:
    """What came of one rung: an exit code of `scheduler.errors`, words on a fault, and remarks."""

    code: int
    words: tuple[str, ...] = ()
    remarks: tuple[str, ...] = field(default=())


def plan_rung(folder: Path, night: date, rung: Rung, without: frozenset[str], now: datetime) -> Outcome:
    """Make and publish the plan of one rung.

    Parameters
    ----------
    folder : Path
    night : date
    rung : Rung
    without : frozenset of str   Series that have problems and are left out.
    now : datetime               Kept as the moment the plan was made.
    """
    from sqlalchemy.exc import SQLAlchemyError

    from scheduler.errors import BAD_INPUT, NO_PLAN, STORAGE, InputProblems, NoPlan
    from scheduler.evening import publish
    from scheduler.ledger import LedgerUnusable
    from scheduler.ledger.keeping import bring_in
    from scheduler.nightly.rungs import plan_on
    from scheduler.nights import opening_of, out_folder
    from scheduler.site import load_site

    try:
        kept = bring_in(load_site(folder, without))
        try:
            document = plan_on(rung, kept.site, night, now, kept.flags_for(opening_of(kept.site, night)))
            document, _ = publish(kept.site, document, out_folder(kept.site, night), kept.history(night))
            remark = kept.keep(document)
        finally:
            kept.close()
    except InputProblems as problems:
        return Outcome(BAD_INPUT, tuple(map(str, problems.problems[:20])))
    except NoPlan as reason:
        return Outcome(NO_PLAN, (str(reason),))
    except (LedgerUnusable, SQLAlchemyError) as reason:
        return Outcome(STORAGE, (f"the ledger cannot be used: {reason}",))
    except OSError as reason:
        place = f"{reason.filename}: " if reason.filename else ""
        return Outcome(STORAGE, (f"{place}{reason.strerror or reason}",))
    return Outcome(0, (), (remark,) if remark else ())


def main() -> None:
    """Run one rung as the command line says: FOLDER NIGHT RUNG WITHOUT MOMENT."""
    gc.disable()
    folder, night, rung, without, moment = sys.argv[1:6]
    names = frozenset(n for n in without.split(",") if n)
    outcome = plan_rung(Path(folder), date.fromisoformat(night), Rung(rung), names, datetime.fromisoformat(moment))
    sys.stdout.write(json.dumps(asdict(outcome)) + "\n")
    sys.stdout.flush()
    os._exit(0)


if __name__ == "__main__":
    main()

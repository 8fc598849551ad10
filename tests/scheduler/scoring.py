"""How well flags tell the faults that were put in."""

from __future__ import annotations

import collections

import pandas as pd

from tests.scheduler.probe_course import Course

# what a fault may be called: a value off its record has several true names, the others one
NAMES = {
    "range": {"range", "spike"},
    "spike": {"spike", "range", "wetting", "drop"},
    "stuck": {"stuck", "flat"},
    "wetting": {"wetting", "spike"},
    "gap": {"gap"},
    "temperature": {"temperature"},
    "ec": {"ec"},
    "moved": {"moved"},
    "stuck noisy": {"flat", "stuck"},
    "shifted": {"moved", "wetting", "drop"},
    "swapped": {"moved", "wetting", "drop"},
}
OF_MOISTURE = {"range", "spike", "stuck", "stuck noisy", "wetting", "moved", "shifted", "swapped"}
LATE = {kind: pd.Timedelta(hours=48) for kind in ("moved", "shifted", "swapped")}  # a move may be dated by the day


def score(course: Course, flags: pd.DataFrame) -> dict[str, collections.Counter]:
    """Count by kind: faults found and missed, flags right and wrong."""
    found, missed, right, false = (collections.Counter() for _ in range(4))
    margin = pd.Timedelta(hours=6)
    used = set()
    for fault in course.faults:
        mine = flags[(flags["probe"] == fault.probe) & flags["rule"].isin(NAMES[fault.kind])]
        near = mine[(mine["starts"] <= fault.ends + margin) & (mine["ends"] >= fault.starts - margin)]
        if fault.kind in LATE:
            near = near[(near["starts"] - fault.starts).abs() <= LATE[fault.kind]]
        used |= set(near.index)
        (found if len(near) else missed)[fault.kind] += 1
        if fault.kind in OF_MOISTURE:  # whatever it is called, a doubted value that is wrong is doubted rightly
            own = flags[(flags["probe"] == fault.probe) & (flags["what"] == "moisture")]
            used |= set(own[(own["starts"] <= fault.ends) & (own["ends"] >= fault.starts)].index)
    for index, rule in flags["rule"].items():
        (right if index in used else false)[rule] += 1
    return {"found": found, "missed": missed, "right": right, "false": false}

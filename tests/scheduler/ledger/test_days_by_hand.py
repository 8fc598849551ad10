"""Small parts of the ledger by hand: days of readings and their digests, and which of two plans is the newer."""

from dataclasses import dataclass
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.ledger import keeping, readings
from scheduler.ledger.connect import LedgerUnusable

DAY = readings._DAY


def test_rows_of_a_probe_and_a_day_stand_together_whatever_probe_or_day_came_before():
    number = np.array([1, 1, 1, 1, 2, 2])
    time = np.array([0, DAY - 1, DAY, 3 * DAY, 3 * DAY, 3 * DAY + 5])  # two days later counts as another day, too
    values = np.array([[0.1, 0.2], [0.1, 0.2], [0.1, 0.2], [0.3, 0.2], [0.3, 0.2], [0.3, 0.2]])
    found = readings._Days.of(number, time, values)
    assert (found.rows, found.starts.tolist()) == (6, [0, 2, 3, 4])
    assert found.probe.tolist() == [1, 1, 1, 2] and found.day.tolist() == [0, 1, 3, 3]
    one = readings._digests(time, values).astype(np.uint64)
    with np.errstate(over="ignore"):
        assert found.digest[0] == (one[0] + one[1]).view(np.int64) and found.digest[1] == one[2].view(np.int64)
    assert found.digest[2] != found.digest[3]  # of one day and other readings


@pytest.mark.parametrize(
    ("text", "held", "newer"),
    [
        ('{"made": "2026-07-14T18:00:01-07:00"}', "2026-07-14T18:00:00-07:00", True),
        ('{"made": "2026-07-14T18:00:00-07:00"}', "2026-07-14T18:00:00-07:00", False),
        ('{"made":"2026-07-14T18:30:00-07:00"}', "2026-07-15T01:00:00+00:00", True),  # 01:30 there
        ('{"made": "soon"}', "2026-07-14T18:00:00-07:00", True), ('{"made": "soon"}', "soon", False),
        ("{}", "2026-07-14T18:00:00-07:00", True), ("{}", None, True),
    ],
)  # fmt: skip
def test_a_plan_is_taken_in_where_it_was_made_after_the_one_held(tmp_path, text, held, newer):
    path = tmp_path / "plan.json"
    path.write_text(text)
    assert keeping._is_newer(path, held) is newer


# ------------------------------------------------------------------------------------------------- a site's ledger

NIGHT = date(2026, 7, 14)


@dataclass(frozen=True)
class Place:
    applied: pd.DataFrame
    allocation: object = None
    planned: object = None
    folder: object = None
    name: str = "Links"


def logged(*nights, **more):
    return Place(pd.DataFrame({"night": pd.to_datetime(list(nights))}), **more)


@pytest.mark.parametrize(
    ("place", "since"),
    [
        (logged("2026-07-08", "2026-07-10"), date(2026, 7, 11)),  # from the night after the log's last
        (logged("2026-07-10", "2026-07-20"), date(2026, 7, 11)),  # whose rows past the newest plan say nothing of it
        (logged("2026-07-14"), date(2026, 7, 15)),
        (logged(), NIGHT - timedelta(days=keeping.LONGEST_PAST)),
        (logged("2020-01-01"), NIGHT - timedelta(days=keeping.LONGEST_PAST)),
        (logged(allocation=SimpleNamespace(starts=date(2020, 1, 1))), date(2020, 1, 1)),
        (logged(allocation=SimpleNamespace(starts=date(2026, 7, 1))), NIGHT - timedelta(days=keeping.LONGEST_PAST)),
    ],
)
def test_plans_stand_in_from_the_night_after_the_log_and_as_far_back_as_anybody_asks(monkeypatch, place, since):
    monkeypatch.setattr(keeping.queries, "made_by_night", lambda ledger, first: {"2026-07-12": "x", "2026-07-14": "y"})
    monkeypatch.setattr(keeping.queries, "runs_in_brief", lambda ledger, first: ("runs", first))
    assert keeping.with_published(place, "ledger").planned == ("runs", since)
    monkeypatch.setattr(keeping.queries, "made_by_night", lambda ledger, first: {})
    assert keeping.with_published(place, "ledger") is place


@pytest.mark.parametrize("new", [False, True])
def test_plans_of_the_fourteen_days_before_the_newest_are_brought_in_and_all_into_a_new_ledger(
    monkeypatch, tmp_path, new
):
    nights = [NIGHT - timedelta(days=d) for d in (0, 14, 15)]
    for night in nights:
        (tmp_path / "out" / f"{night}").mkdir(parents=True)
        (tmp_path / "out" / f"{night}" / "plan.json").write_text("{}")
    (tmp_path / "out" / "fleet").mkdir()
    asked, kept = [], []
    held = {} if new else {"2026-07-14": "made"}
    monkeypatch.setattr(keeping.queries, "made_by_night", lambda ledger, first: asked.append(first) or held)
    monkeypatch.setattr(keeping, "_is_newer", lambda path, made: made is None)
    site = SimpleNamespace(name="Links")
    monkeypatch.setattr(
        keeping, "read_plan", lambda path: SimpleNamespace(night=date.fromisoformat(path.parent.name), site=site)
    )
    monkeypatch.setattr(keeping, "plan_faults", lambda document: [])
    monkeypatch.setattr(keeping, "_keep", lambda ledger, document: kept.append(document.night))
    notes = keeping.catch_up(logged(folder=tmp_path), "ledger")
    assert kept == (sorted(nights) if new else [nights[1]]) and len(notes) == len(kept)
    assert asked == [nights[1], date.min][: 1 + new]


def test_sheets_show_the_two_weeks_before_a_night_and_a_ledger_that_fails_is_said(monkeypatch):
    asked = []
    monkeypatch.setattr(keeping.queries, "estimates_since", lambda ledger, *span: asked.append(span) or "past")
    kept = keeping.Kept(None, "ledger", None)
    assert kept.history(NIGHT) == "past" and asked == [(date(2026, 6, 30), NIGHT)]
    assert keeping.Kept(None, None, None).history(NIGHT) is None is keeping.Kept(None, None, None).keep("plan")
    monkeypatch.setattr(keeping, "_keep", lambda ledger, document: asked.append((ledger, document)))
    assert kept.keep("plan") is None and asked[-1] == ("ledger", "plan")

    def fails(*given):
        raise LedgerUnusable("in use")

    monkeypatch.setattr(keeping, "_keep", fails)
    monkeypatch.setattr(keeping.queries, "estimates_since", fails)
    assert kept.keep("plan").startswith("the plan is written, but not kept in the ledger: in use")
    assert kept.history(NIGHT) is None

"""A what-if and a fleet run step by step: what is planned against what, what is kept, who is begun when."""

from concurrent.futures import Future
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from sqlalchemy.exc import SQLAlchemyError

from models.plan.solve import SolverFailed
from scheduler.errors import InputProblems, NoPlan
from scheduler.whatif import door, evening, fleet, run, season
from scheduler.whatif.door import Done, Door, Workers, run_all
from scheduler.whatif.run import Asked, LedgerShelf, log_of

NIGHT = date(2026, 7, 14)


@dataclass
class Year:
    """What a year came to, as far as the shelf asks."""

    case: str
    year: str
    rows: list


def test_a_finished_year_is_kept_and_comes_back_and_no_ledger_stops_it(monkeypatch):
    kept, shelf = {}, LedgerShelf(SimpleNamespace(ledger="ledger"))
    monkeypatch.setattr(
        run, "keep_outlook", lambda ledger, key, case, year, values: kept.update({key: (ledger, case, year, values)})
    )
    monkeypatch.setattr(run, "kept_outlook", lambda ledger, key: kept[key][3] if key in kept else None)
    monkeypatch.setattr(run, "Lived", Year)
    one = Year("a", "2024", [1])
    assert shelf.get("k") is None
    shelf.put("k", one)
    assert kept["k"][:3] == ("ledger", "a", "2024") and shelf.get("k") == one
    bare = LedgerShelf(SimpleNamespace(ledger=None))
    bare.put("other", one)
    assert bare.get("k") is None and list(kept) == ["k"]

    def fails(*given):
        raise SQLAlchemyError("locked")

    monkeypatch.setattr(run, "keep_outlook", fails)
    shelf.put("k", one)  # the work goes on


def test_the_log_is_taken_from_where_more_of_it_is_known(monkeypatch):
    def kept(held, told, ledger="ledger"):
        monkeypatch.setattr(run.queries, "applied_water", lambda ledger: pd.DataFrame({"n": range(held)}))
        return len(
            log_of(
                SimpleNamespace(ledger=ledger, site=SimpleNamespace(applied=pd.DataFrame({"m": range(told)})))
            ).columns.intersection(["n"])
        )

    assert [kept(3, 2), kept(2, 2), kept(1, 2), kept(9, 2, None)] == [1, 1, 0, 0]


def whatif(monkeypatch, asked, cases=("A", "B"), present=True):
    """Run a what-if whose parts are given; what was done, in order."""
    seen = []

    class Opened:
        def __enter__(self):
            return self

        def __exit__(self, *given):
            seen.append("closed")

        def begin(self):
            seen.append("begun")

    def plan(standing, case):
        seen.append(("planned", standing, case.title))
        return SimpleNamespace(same=case.title == "B", case=case)

    titles = [SimpleNamespace(title=c, name=c.lower()) for c in cases]
    monkeypatch.setattr(run, "Door", lambda workers, most, needed: seen.append(("door", most)) or Opened())
    monkeypatch.setattr(run, "has_cases", lambda site: present)
    monkeypatch.setattr(run, "read_cases", lambda site, names, given: tuple(titles))
    monkeypatch.setattr(run, "local_now", lambda site: "now")
    monkeypatch.setattr(run, "evening_of", lambda now: "this evening")
    monkeypatch.setattr(run, "choose_night", lambda site, today: NIGHT if today == "this evening" else None)
    monkeypatch.setattr(run, "opening_of", lambda site, night: ("opening", night))
    monkeypatch.setattr(
        run, "planned_evening", lambda site, night, now, flags: seen.append(("evening", night, flags)) or "planned"
    )
    monkeypatch.setattr(run, "standing_evening", lambda planned, log: SimpleNamespace(as_it_is="as it is", log=log))
    monkeypatch.setattr(run, "log_of", lambda kept: "log")
    monkeypatch.setattr(
        run,
        "relaxed_limits",
        lambda standing, outcome: ("wider", outcome if outcome == "as it is" else outcome.case.title),
    )
    monkeypatch.setattr(run, "plan_cases", lambda standing, cases, step: [plan(standing, case) for case in cases])
    monkeypatch.setattr(run, "sweep", lambda standing, key, values, base, told: ("curve", key, values, base))
    monkeypatch.setattr(run, "season_ahead", lambda standing, cases, ahead, shelf, told, door: ("season", ["row"]))
    monkeypatch.setattr(run, "whatif_document", lambda *given: seen.append(("document", *given[1:])) or "document")
    monkeypatch.setattr(run, "write_whatif", lambda document, folder, rows: (folder, rows))
    kept = SimpleNamespace(
        site=SimpleNamespace(folder=Path("/site")), ledger=None, flags_for=lambda opening: ("flags", opening)
    )
    return run.run_whatif(kept, asked), seen


def asked(**given):
    usual = {"cases": (), "given": (), "sweep": None, "night": None, "out": None, "season": None}
    return Asked(**usual | given)


def test_cases_are_planned_against_the_standing_plan_and_widened_where_they_differ(monkeypatch):
    (_, (folder, rows)), seen = whatif(monkeypatch, asked())
    assert ("evening", NIGHT, ("flags", ("opening", NIGHT))) in seen and seen[0] == ("door", 0) and seen[-2] == "closed"
    _, outcomes, widened, now, curve, season = seen[-1]
    assert outcomes[0] == "as it is" and [o.case.title for o in outcomes[1:]] == ["A", "B"]
    assert widened == [("wider", "as it is"), ("wider", "A"), ()]  # B is tonight's plan itself
    assert (now, curve, season, folder, rows) == ("now", None, None, Path("/site/whatif/a_b"), [])


def test_a_sweep_goes_from_the_only_case_or_from_things_as_they_are(monkeypatch):
    (_, (folder, _)), seen = whatif(monkeypatch, asked(sweep="price_factor=1,2", cases=("a",)), cases=("A",))
    assert seen[-1][4][1] == "price_factor" and seen[-1][4][3].title == "A" and folder.name == "a_sweep-price_factor"
    _, seen = whatif(monkeypatch, asked(sweep="price_factor=1,2"))
    assert seen[-1][4][3] is run.AS_IT_IS and len(seen[-1][1]) == 1  # no case was asked for
    _, seen = whatif(monkeypatch, asked(night=date(2026, 7, 1), out=Path("/elsewhere")))
    assert ("evening", date(2026, 7, 1), ("flags", ("opening", date(2026, 7, 1)))) in seen


@pytest.mark.parametrize(("resume", "present", "cases"), [(False, True, 3), (True, False, 1)])
def test_a_season_s_workers_start_beside_the_evening_unless_years_may_be_kept(monkeypatch, resume, present, cases):
    ahead = SimpleNamespace(resume=resume, workers="workers", years=4, weather="drawn")
    (_, (_, rows)), seen = whatif(monkeypatch, asked(season=ahead), present=present)
    assert ("begun" in seen) == (not resume) and seen[-1][5] == "season" and rows == ["row"]
    assert seen[0] == ("door", 4 * cases) and len(seen[-1][1]) == cases


# -------------------------------------------------------------------------------------------------------------- fleet


def test_a_fleet_s_sites_are_run_and_one_that_fails_stops_no_other(monkeypatch, tmp_path):
    sites = fleet.FleetList(tuple(fleet.Listed(n, tmp_path / n) for n in "abc"), "ledger")
    told, tasks = [], []

    def all_of(work, given, door):
        tasks.extend(given)
        yield Done(2, value=(0, "planned", 3.0))
        yield Done(0, failure=ValueError("broke"))
        yield Done(1, value=(3, "two\nproblems\nmore", 1.0))

    monkeypatch.setattr(fleet, "Door", lambda workers, most: nullcontext((workers, most)))
    monkeypatch.setattr(fleet, "run_all", all_of)
    monkeypatch.setattr(fleet, "problem_of", lambda failure: f"it {failure}")
    monkeypatch.setattr(fleet, "_plan_numbers", lambda site, began: {"warnings": 2})
    monkeypatch.setattr(fleet, "_write", lambda fleet, folder: ("written", folder))
    found, written = fleet.run_fleet(
        sites, ("tonight", "-q"), "run", "workers", tmp_path, "now", lambda *n: told.append(n)
    )
    assert tasks == [("run", str(tmp_path / n), ("tonight", "-q"), "ledger") for n in "abc"]
    assert [(s.name, s.code, s.words, s.seconds) for s in found.sites] == [
        ("a", fleet.FAILED, "it broke", 0.0), ("b", 3, "two; problems", 1.0), ("c", 0, "planned", 3.0),
    ]  # fmt: skip
    assert found.sites[2].warnings == 2 and told == [(1, 3), (2, 3), (3, 3)] and written == ("written", tmp_path)
    assert (found.command, found.made) == ("tonight -q", "now")
    for command in ((), ("tonigt",)):
        with pytest.raises(InputProblems):
            fleet.run_fleet(sites, command, "run", "workers", tmp_path, "now")
    assert fleet.timed(lambda folder, command, ledger: (4, f"{folder} {command} {ledger}"), "x", ("y",), None)[:2] == (
        4,
        "x ('y',) None",
    )
    assert len(fleet.shown_long("a" * 301)) == 300 and fleet.shown_long("a" * 300) == "a" * 300


# --------------------------------------------------------------------------------------------------------------- door


class Client:
    def __init__(self):
        self.closed = False

    def close(self):
        self.closed = True


@pytest.mark.parametrize("address", [None, "tcp://here"])
def test_workers_are_asked_for_once_and_ended_where_they_were_begun(monkeypatch, address):
    client, cluster, started = Client(), Client(), []
    monkeypatch.setattr(door, "_dask", lambda: None)
    monkeypatch.setattr(Door, "_started", lambda self: started.append("local") or (client, cluster))
    monkeypatch.setattr(Door, "_found", lambda self: started.append("found") or (client, None))
    with Door(Workers(local=2, address=address), 4) as opened:
        opened.begin()
        opened.begin()
        assert opened.client() is client
    assert started == ["local" if address is None else "found"] and client.closed
    assert cluster.closed == (address is None)  # a cluster at an address is somebody else's


def test_what_is_done_here_starts_nothing_and_tells_each_task_s_place():
    with Door(Workers(), 4) as opened:
        opened.begin()
        assert opened._opening is None

        def work(a, b):
            if b == 0:
                raise ZeroDivisionError("none")
            return a // b

        found = list(run_all(work, [(6, 2), (1, 0), (9, 3)], opened))
    assert [(d.place, d.value) for d in found] == [(0, 3), (1, None), (2, 3)]
    assert isinstance(found[1].failure, ZeroDivisionError) and found[0].failure is None
    failed = Door(Workers(), 1)
    failed._opening = Future()
    failed._opening.set_exception(OSError("gone"))
    failed.__exit__()  # what could not be begun need not be ended


# ---------------------------------------------------------------------------------------------- standing and starting


def test_a_season_starts_from_the_evening_without_readings_and_with_the_weather_after_it(monkeypatch):
    asked = {}

    @dataclass(frozen=True)
    class Place:
        nights: int = 7
        probes: pd.DataFrame = None
        samples: pd.DataFrame = None

    place = Place(probes=pd.DataFrame({"a": [1]}), samples=pd.DataFrame({"a": [1]}))
    planned = SimpleNamespace(site=place, night=NIGHT, demand="demand", state="state", salt="salt", run="run",
                              inputs=SimpleNamespace(plan="plan"))  # fmt: skip
    log = pd.DataFrame({"night": [1], "zone": ["a"], "minutes": [2.0], "volume": [3.0], "note": ["x"]})
    monkeypatch.setattr(season, "weather_years", lambda *given: asked.update(years=given) or (("year",), "words"))
    monkeypatch.setattr(season, "reached", lambda plan, run: (plan, run))
    monkeypatch.setattr(season, "forecast_errors", lambda *given: ("errors", *given))
    monkeypatch.setattr(season, "believed_truth", lambda standing, seed: ("truth", seed))
    last = date(2026, 8, 1)
    standing = SimpleNamespace(planned=planned, log=log)
    ahead = SimpleNamespace(weather="drawn", years=5, seed=3, mismatch=True)
    start, years, words = season._start(standing, ahead, last)
    # the first night's date to seven after the last night's
    assert asked["years"] == (place, date(2026, 7, 15), date(2026, 8, 9), "drawn", 5, 3)
    assert (years, words) == (("year",), "words") and start.errors == ("errors", place, NIGHT, 7)
    assert (start.demand, start.state, start.salt, start.share) == ("demand", "state", "salt", ("plan", "run"))
    assert not len(start.site.probes) and not len(start.site.samples) and start.truth == ("truth", 3)
    assert list(start.log.columns) == ["night", "zone", "minutes", "volume"] and (start.night, start.last) == (
        NIGHT,
        last,
    )
    assert season._start(standing, SimpleNamespace(**vars(ahead) | {"mismatch": False}), last)[0].truth is None


def test_cases_go_on_from_tonight_s_own_arrays_and_a_solver_that_fails_is_no_plan(monkeypatch):
    @dataclass(frozen=True)
    class Plan:
        inputs: object = "made again"
        flushes: object = "made again"
        needs: object = "needs"

    inputs = SimpleNamespace(dates=(1, 2, 3), plan="plan")
    planned = SimpleNamespace(
        site="site",
        night=NIGHT,
        inputs=inputs,
        flushes="flushes",
        demand="d",
        state="s",
        salt="e",
        run=SimpleNamespace(result="result", minutes_by_night="minutes"),
    )
    monkeypatch.setattr(
        evening, "case_plan", lambda evening, case, log: Plan() if (evening.nights, log) == (3, "log") else None
    )
    monkeypatch.setattr(evening, "course_of", lambda *given: given)
    monkeypatch.setattr(evening, "Cases", lambda plan, needs: (plan, needs))
    found = evening.standing_evening(planned, "log")
    assert found.cases == ("plan", "needs") and found.as_it_is.plan == Plan(inputs, "flushes")
    assert found.as_it_is.course == ("site", inputs, "e", "result", "minutes") and found.as_it_is.same

    def fails(plan, needs):
        raise SolverFailed("none")

    monkeypatch.setattr(evening, "Cases", fails)
    with pytest.raises(NoPlan, match="none"):
        evening.standing_evening(planned, "log")

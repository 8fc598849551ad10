# ruff: noqa: F811  (fixtures are imported by name)
"""The ledger's promises, on both databases: natural keys, history, plans that stay, decisions, versions."""

from __future__ import annotations

import json
import zlib
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa

from scheduler.document.reading import document_of
from scheduler.ledger import (
    LedgerUnusable,
    decide_learned,
    default_url,
    migrations,
    open_ledger,
    propose_learned,
    publish_plan,
    queries,
    write_estimates,
)
from scheduler.ledger.merge import Counts, Series, merge
from scheduler.ledger.outlooks import keep_outlook, kept_outlook
from scheduler.ledger.readings import ROWS_AT_ONCE, _parts, merge_readings
from scheduler.ledger.tables import metadata, plans, readings, weather
from scheduler.ledger.writers import begin_intake, end_intake, merge_flags
from tests import ledger_contents
from tests.scheduler.ledger_fixtures import ledger, ledger_url, postgres  # noqa: F401
from tests.scheduler.sample_plan import sample_plan
from tests.scheduler.test_sheets_document import as_version_1

NIGHT = date(2026, 7, 14)
SCHEMA = Path(__file__).with_name("ledger_schema.json")


def some_readings(probes=3, times=20, start="2026-07-01", seed=1):
    rng = np.random.default_rng(seed)
    stamps = pd.date_range(start, periods=times, freq="15min")
    frame = pd.MultiIndex.from_product([stamps, [f"P{i:02d}" for i in range(probes)]], names=["time", "probe"])
    frame = frame.to_frame(index=False)
    for name in ("moisture", "ec", "temperature"):
        frame[name] = rng.random(len(frame))
    frame["permittivity"] = np.nan
    return frame


def take_in(ledger, frame, who="test"):
    with ledger.writing() as connection:
        number = begin_intake(connection, ledger, "readings", who)
        counts = merge_readings(connection, frame, ledger.site_id, number)
        end_intake(connection, number, counts)
    return counts


def weather_frame(**rain):
    frame = pd.DataFrame({"date": list(rain), "rain": list(rain.values())})
    frame["date"] = frame["date"].str.removeprefix("d").str.replace("_", "-").astype(object)
    for name in ("tmin", "tmax", "rhmin", "rhmax", "rh", "wind", "solar", "sunshine", "eto"):
        frame[name] = np.nan
    return frame


def take_in_weather(ledger, frame, who="test"):
    with ledger.writing() as connection:
        number = begin_intake(connection, ledger, "weather", who)
        return merge(connection, Series.of(weather), frame, ledger.site_id, number)


def document(made="2026-07-14T21:02:11-07:00", minutes=12.5, night="2026-07-14"):
    whole = sample_plan(zones=1)
    before = {"depletion_mm": 6.5, "spread_mm": 1.5, "ece_dsm": None}
    zone = whole["zones"][0] | {"id": "G1", "minutes": minutes, "before": before}
    return document_of(whole | {"night": night, "made": made, "zones": [zone]})


def test_readings_come_back_as_they_were(ledger):
    frame = some_readings()
    frame.loc[5, ["moisture", "ec"]] = np.nan
    assert take_in(ledger, frame) == Counts(new=60)
    back = queries.readings(ledger)
    pd.testing.assert_frame_equal(back, frame.sort_values(["time", "probe"], ignore_index=True), check_dtype=False)
    assert back["time"].dtype == "datetime64[ns]"


def test_reading_a_file_again_changes_nothing(ledger):
    frame = some_readings()
    frame.loc[7, "temperature"] = np.nan
    take_in(ledger, frame)
    assert take_in(ledger, frame.sample(frac=1, random_state=0)) == Counts(same=60)
    assert len(ledger_contents.replaced_rows(ledger)) == 0


def test_late_readings_are_added_between_those_held(ledger):
    frame = some_readings()
    late = frame.index % 7 == 3
    take_in(ledger, frame[~late])
    assert take_in(ledger, frame) == Counts(new=int(late.sum()), same=int((~late).sum()))
    assert len(queries.readings(ledger)) == 60


def test_corrected_readings_replace_with_history(ledger):
    frame = some_readings()
    take_in(ledger, frame, who="ann")
    right = frame.copy()
    right.loc[10, "moisture"] = 0.25
    right.loc[11, "ec"] = np.nan
    assert take_in(ledger, right, who="ben") == Counts(changed=2, same=58)
    assert queries.readings(ledger).loc[10, "moisture"] == 0.25
    old = ledger_contents.replaced_rows(ledger, "readings")
    assert set(old["written_by"]) == {"ann"} and set(old["replaced_by"]) == {"ben"}
    said = {key: values for key, values in zip(old["key"], old["said"], strict=True)}
    seconds = int(frame.loc[10, "time"].to_datetime64().astype("datetime64[s]").astype(int))
    assert said[(frame.loc[10, "probe"], seconds)]["moisture"] == frame.loc[10, "moisture"]


def test_a_correction_of_a_correction_keeps_both(ledger):
    for rain in (1.0, 2.0, 3.0):
        take_in_weather(ledger, weather_frame(d2026_07_01=rain))
    assert [said["rain"] for said in ledger_contents.replaced_rows(ledger)["said"]] == [1.0, 2.0]
    assert queries.observed_weather(ledger)["rain"].tolist() == [3.0]


def test_a_value_that_becomes_unknown_is_a_change_too(ledger):
    take_in_weather(ledger, weather_frame(d2026_07_01=1.0, d2026_07_02=np.nan))
    assert take_in_weather(ledger, weather_frame(d2026_07_01=np.nan, d2026_07_02=np.nan)) == Counts(changed=1, same=1)


def test_readings_within_a_span_only(ledger):
    take_in(ledger, some_readings(times=200))
    part = queries.readings(ledger, "2026-07-02T00:00", "2026-07-02T01:00")
    assert part["time"].min() == pd.Timestamp("2026-07-02T00:00") and part["time"].max() == pd.Timestamp(
        "2026-07-02T01:00"
    )
    assert len(part) == 3 * 5
    assert ledger_contents.newest_readings(ledger).to_dict() == dict.fromkeys(
        ["P00", "P01", "P02"], pd.Timestamp("2026-07-03T01:45")
    )


def test_days_known_by_their_digest_hide_no_later_change(ledger):
    """Whatever the order in which files say a day's rows, in part or whole: what was said last stands."""
    first = some_readings(times=200)  # two days and more
    other = first.assign(moisture=first["moisture"].where(first.index % 7 != 0, 0.5))
    part = other.iloc[50:90]
    # every seventh row differs: 56, 63, 70, 77, 84 in the part, 86 of all 600
    said = (first, 0), (first, 0), (part, 5), (part, 0), (first, 5), (other, 86), (other, 0), (first, 86)
    for frame, changed in said:
        counts = take_in(ledger, frame)
        assert counts.changed == changed and counts.new + counts.changed + counts.same == len(frame)
        held = queries.readings(ledger).merge(frame, on=["time", "probe"], suffixes=("", "_said"))
        assert len(held) == len(frame) and (held["moisture"] == held["moisture_said"]).all()
    late = some_readings(times=203)
    late.loc[late.index < 600, "moisture"] = first["moisture"]
    assert take_in(ledger, late).new == 9


def test_two_rows_of_one_key_are_refused(ledger):
    frame = some_readings()
    with pytest.raises(ValueError, match="twice at one time"):
        take_in(ledger, pd.concat([frame, frame.iloc[:1]]))
    assert len(queries.readings(ledger)) == 0


def test_an_infinite_number_is_refused(ledger):
    frame = some_readings()
    frame.loc[3, "ec"] = np.inf
    with pytest.raises(ValueError, match="infinite"):
        take_in(ledger, frame)


def test_two_sites_in_one_database_do_not_meet(ledger, ledger_url, tmp_path):
    other = open_ledger(tmp_path, ledger_url, "park")
    take_in(ledger, some_readings())
    assert take_in(other, some_readings()) == Counts(new=60)
    publish_plan(ledger, document())
    assert queries.current_plan(other, NIGHT) is None and ledger_contents.plan_list(other).empty
    other.close()
    again = open_ledger(tmp_path, ledger_url, "links")
    assert again.site_id == ledger.site_id
    again.close()


def test_an_error_undoes_the_whole_transaction(ledger):
    with pytest.raises(RuntimeError, match="power"), ledger.writing() as connection:
        number = begin_intake(connection, ledger, "readings", "test")
        merge_readings(connection, some_readings(), ledger.site_id, number)
        raise RuntimeError("power cut")
    assert queries.readings(ledger).empty and ledger_contents.intake_list(ledger).empty


# plans


def test_a_plan_is_superseded_never_overwritten(ledger):
    first = publish_plan(ledger, document())
    second = publish_plan(ledger, document(minutes=14.0))
    assert (first.supersedes, second.supersedes, second.new) == (None, first.plan_id, True)
    assert queries.current_plan(ledger, NIGHT) == document(minutes=14.0)
    assert ledger_contents.plan_by_number(ledger, first.plan_id) == document()
    listed = ledger_contents.plan_list(ledger)
    assert listed["stands"].tolist() == [False, True]


def test_the_same_plan_made_again_is_not_doubled(ledger):
    first = publish_plan(ledger, document())
    again = publish_plan(ledger, document(made="2026-07-14T21:09:00-07:00"))
    assert again.plan_id == first.plan_id and not again.new
    assert len(ledger_contents.plan_list(ledger)) == 1


@pytest.mark.parametrize("act", [sa.update(plans).values(status="x"), sa.delete(plans)])
def test_the_database_itself_refuses_to_touch_a_plan(ledger, act):
    publish_plan(ledger, document())
    with pytest.raises(LedgerUnusable, match="never changed"), ledger.writing() as connection:
        connection.execute(act)
    assert queries.current_plan(ledger, NIGHT) == document()


def test_a_plan_kept_by_an_earlier_version_is_read_and_stays_as_it_was(ledger):
    published = publish_plan(ledger, document())
    old = as_version_1(sample_plan(zones=1))
    row = {"night": "2026-07-16", "made": old["made"], "status": "planned", "published_at": "", "digest": "x"}
    row |= {"site_id": ledger.site_id, "document": zlib.compress(json.dumps(old | {"night": row["night"]}).encode())}
    with ledger.writing() as connection:
        connection.execute(plans.insert().values(row))
    plan = queries.current_plan(ledger, date(2026, 7, 16))
    assert (plan.schema_name, plan.zones[0].why) == ("evenfall-plan/2", "flush")
    assert queries.runs_in_brief(ledger, date(2026, 7, 16))["minutes"].tolist() == [old["zones"][0]["minutes"]]
    with ledger.reading() as connection:
        kept = connection.execute(sa.select(plans.c.document).where(plans.c.plan_id != published.plan_id)).scalar_one()
    assert json.loads(zlib.decompress(kept))["schema"] == "evenfall-plan/1"


def test_the_latest_plan_before_a_night(ledger):
    for night in ("2026-07-12", "2026-07-13"):
        publish_plan(ledger, document(night=night))
    assert queries.latest_plan(ledger).night == date(2026, 7, 13)
    assert queries.latest_plan(ledger, date(2026, 7, 13)).night == date(2026, 7, 12)
    assert queries.latest_plan(ledger, date(2026, 7, 12)) is None


# estimates, learned values, flags


def test_estimates_replace_with_history(ledger):
    frame = pd.DataFrame(
        {"zone": ["G01", "G02"], "depletion": [5.0, 6.0], "spread": 1.0, "ece": np.nan, "state_from": "probe"}
    )
    assert write_estimates(ledger, NIGHT, frame) == Counts(new=2)
    assert write_estimates(ledger, NIGHT, frame) == Counts(same=2)
    assert write_estimates(ledger, NIGHT, frame.assign(depletion=[5.0, 7.0])) == Counts(changed=1, same=1)
    assert ledger_contents.estimates_of(ledger, NIGHT)["depletion"].tolist() == [5.0, 7.0]
    assert len(ledger_contents.intake_list(ledger)) == 2
    assert ledger_contents.replaced_rows(ledger, "estimates")["said"].iloc[0]["depletion"] == 6.0


def proposal(value, zone="G01"):
    row = {
        "zone": zone,
        "quantity": "microclimate",
        "before": 1.0,
        "value": value,
        "low": value - 0.1,
        "high": value + 0.1,
    }
    return pd.DataFrame([row | {"evidence": "12 dry-downs"}])


def test_nothing_learned_counts_before_it_is_accepted(ledger):
    numbers = propose_learned(ledger, proposal(0.8))
    assert queries.accepted_values(ledger).empty
    assert decide_learned(ledger, numbers, "accepted", "ann") == 1
    assert queries.accepted_values(ledger, "microclimate")["value"].tolist() == [0.8]
    assert decide_learned(ledger, numbers, "rejected", "ben") == 0  # decided once
    newer = propose_learned(ledger, proposal(0.85))
    newest = propose_learned(ledger, proposal(0.9))
    assert decide_learned(ledger, newer, "accepted") == 0  # replaced by the newest before anyone decided
    assert queries.accepted_values(ledger)["value"].tolist() == [0.8]
    decide_learned(ledger, newest, "rejected")
    assert queries.accepted_values(ledger)["value"].tolist() == [0.8]
    assert queries.learned_values(ledger)["decision"].tolist() == ["accepted", "replaced", "rejected"]


def test_a_decision_has_two_words(ledger):
    with pytest.raises(ValueError, match="accepted"):
        decide_learned(ledger, [1], "perhaps")


def flag(starts, ends, rule="stuck", probe="P01"):
    return {
        "probe": probe,
        "rule": rule,
        "what": "moisture",
        "starts": starts,
        "ends": ends,
        "reason": f"{rule} {ends}",
    }


def bring_flags(ledger, rows, since):
    columns = ["probe", "rule", "what", "starts", "ends", "reason"]
    with ledger.writing() as connection:
        number = begin_intake(connection, ledger, "flags", "test")
        return merge_flags(connection, ledger, pd.DataFrame(rows, columns=columns), since, number)


def spans(ledger):
    data = ledger_contents.standing_flags(ledger)
    return [(r.rule, int(r.starts.timestamp()), int(r.ends.timestamp())) for r in data.itertuples()]


def test_a_flag_that_goes_on_is_lengthened_and_one_no_longer_raised_is_withdrawn(ledger):
    bring_flags(ledger, [flag(1000, 2000), flag(1500, 1500, "spike")], 500)
    assert bring_flags(ledger, [flag(1800, 2600)], 1800) == Counts(changed=1)  # stuck goes on, seen from 1800
    assert spans(ledger) == [("stuck", 1000, 2600), ("spike", 1500, 1500)]  # the spike is older than what was examined
    assert bring_flags(ledger, [flag(1000, 2600)], 900) == Counts(same=1, withdrawn=1)
    assert spans(ledger) == [("stuck", 1000, 2600)]
    assert bring_flags(ledger, [flag(1000, 2600)], 900) == Counts(same=1)  # withdrawn once, not at every reading
    assert bring_flags(ledger, [flag(1000, 2600), flag(1500, 1500, "spike")], 900).changed == 1  # raised again
    assert len(spans(ledger)) == 2


def test_a_season_lived_through_is_kept_once(ledger):
    assert keep_outlook(ledger, "k", "order", "drawn 1", {"left": 1.5, "rows": [{"night": "2026-07-14"}]})
    assert not keep_outlook(ledger, "k", "order", "drawn 1", {"left": 2.5})
    assert kept_outlook(ledger, "k") == {"left": 1.5, "rows": [{"night": "2026-07-14"}]}
    assert kept_outlook(ledger, "other") is None
    assert ledger_contents.outlook_list(ledger) == [("order", "drawn 1", "k")]


# versions, places


def described():
    """Describe every table: columns, types, keys."""
    out = {}
    for table in metadata.sorted_tables:
        columns = [[c.name, str(c.type), c.primary_key, c.nullable] for c in table.columns]
        uniques = sorted(
            sorted(c.name for c in u.columns) for u in table.constraints if isinstance(u, sa.UniqueConstraint)
        )
        out[table.name] = {"columns": columns, "unique": uniques, "indexes": sorted(str(i.name) for i in table.indexes)}
    return {"version": migrations.newest(), "tables": out}


def test_the_tables_are_those_of_the_last_version():
    # Differs? Then tables.py was changed: append a step to migrations.STEPS and write this description again:
    # python -m tests.scheduler.test_ledger
    assert described() == json.loads(SCHEMA.read_text())


def test_an_older_ledger_is_brought_up_step_by_step(ledger, ledger_url, tmp_path, monkeypatch):
    take_in(ledger, some_readings())
    version = migrations.newest()
    step = [lambda c: c.execute(sa.text("CREATE TABLE extra (a INTEGER)"))]
    monkeypatch.setattr(migrations, "STEPS", migrations.STEPS + step)
    newer = open_ledger(tmp_path, ledger_url, "links")
    with newer.reading() as connection:
        assert migrations.version_of(connection) == version + 1
        assert sa.inspect(connection).has_table("extra")
    assert len(queries.readings(newer)) == 60
    newer.close()


def test_a_ledger_of_version_1_keeps_its_plans_and_gives_their_run_times(ledger, ledger_url, tmp_path):
    publish_plan(ledger, document(minutes=7.0))
    with ledger.writing() as connection:
        connection.execute(sa.text("ALTER TABLE plans DROP COLUMN brief"))
        connection.execute(sa.text("DROP TABLE reading_days"))
        connection.execute(sa.text("DROP TABLE meter"))
        connection.execute(sa.text("DROP TABLE outlooks"))
        connection.execute(sa.text("UPDATE schema_version SET version = 1"))
    newer = open_ledger(tmp_path, ledger_url, "links")
    assert queries.current_plan(newer, NIGHT) == document(minutes=7.0)
    publish_plan(newer, document(minutes=9.0, made="2026-07-14T22:00:00-07:00", night="2026-07-15"))
    runs = queries.runs_in_brief(newer, NIGHT)
    assert runs["minutes"].tolist() == [7.0, 9.0]
    assert runs["night"].dt.strftime("%Y-%m-%d").tolist() == ["2026-07-14", "2026-07-15"]
    assert queries.runs_in_brief(newer, date(2026, 7, 16)).empty
    newer.close()


def test_run_times_in_brief_are_those_of_the_plan_that_stands(ledger):
    publish_plan(ledger, document(minutes=7.0))
    publish_plan(ledger, document(minutes=9.0))
    brief = queries.runs_in_brief(ledger, NIGHT)
    assert brief[["zone", "minutes", "depletion", "spread"]].values.tolist() == [["G1", 9.0, 6.5, 1.5]]
    assert queries.made_by_night(ledger, NIGHT) == {"2026-07-14": "2026-07-14T21:02:11-07:00"}


def test_a_ledger_in_use_by_another_writer_can_be_opened_and_read(tmp_path):
    first = open_ledger(tmp_path)
    with first.writing():
        second = open_ledger(tmp_path, patience=0.1)
        assert queries.readings(second).empty
        with pytest.raises(LedgerUnusable, match="locked"), second.writing():
            pass
        second.close()
    first.close()


def test_a_step_that_fails_leaves_the_old_version_whole(ledger, ledger_url, tmp_path, monkeypatch):
    def half(connection):
        connection.execute(sa.text("CREATE TABLE extra (a INTEGER)"))
        raise RuntimeError("half way")

    version = migrations.newest()
    monkeypatch.setattr(migrations, "STEPS", [*migrations.STEPS, half])
    with pytest.raises(RuntimeError, match="half way"):
        open_ledger(tmp_path, ledger_url, "links")
    with ledger.reading() as connection:
        assert migrations.version_of(connection) == version
        assert not sa.inspect(connection).has_table("extra")


def test_a_ledger_of_a_newer_program_is_refused(ledger, ledger_url, tmp_path):
    with ledger.writing() as connection:
        connection.execute(sa.text("UPDATE schema_version SET version = 99"))
    with pytest.raises(LedgerUnusable, match="version 99"):
        open_ledger(tmp_path, ledger_url, "links")


def test_the_default_is_a_file_in_the_folder(tmp_path):
    opened = open_ledger(tmp_path)
    opened.close()
    assert (tmp_path / "ledger.sqlite").is_file() and opened.site_key == "site"
    assert default_url(tmp_path).endswith("ledger.sqlite")
    relative = open_ledger(tmp_path, "other.sqlite")
    relative.close()
    assert (tmp_path / "other.sqlite").is_file()


def test_a_damaged_file_is_named(tmp_path):
    (tmp_path / "ledger.sqlite").write_bytes(b"not a database, but long enough to be looked at" * 50)
    with pytest.raises(LedgerUnusable, match=r"ledger\.sqlite.*not a database"):
        open_ledger(tmp_path)


@pytest.mark.parametrize(
    "url", ["mysql://x/y", "postgresql://nobody@/none?host=/nowhere", "sqlite:////nowhere/at/all.sqlite"]
)
def test_a_url_that_cannot_be_used_is_said(tmp_path, url):
    with pytest.raises(LedgerUnusable):
        open_ledger(tmp_path, url)


def test_sqlite_commits_reach_the_disk(tmp_path):
    opened = open_ledger(tmp_path)
    with opened.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2  # FULL
    opened.close()


def test_the_latest_days_are_found_by_the_key_alone(tmp_path):
    opened = open_ledger(tmp_path)
    with opened.reading() as connection:
        plan = connection.exec_driver_sql(
            "EXPLAIN QUERY PLAN SELECT * FROM readings WHERE probe_id = 1 AND time BETWEEN 0 AND 9 ORDER BY time"
        ).all()
    opened.close()
    assert [row[3] for row in plan] == ["SEARCH readings USING PRIMARY KEY (probe_id=? AND time>? AND time<?)"]


def test_parts_cover_all_rows_once():
    number = np.repeat(np.arange(7), [5, ROWS_AT_ONCE - 3, 10, 2 * ROWS_AT_ONCE + 1, 1, 1, 3])
    parts = _parts(number)
    assert [low for low, _ in parts] == [0, *(high for _, high in parts[:-1])] and parts[-1][1] == len(number)
    assert all(0 < high - low <= ROWS_AT_ONCE for low, high in parts)


def test_readings_table_is_clustered():
    assert [c.name for c in readings.primary_key.columns] == ["probe_id", "time"]


if __name__ == "__main__":
    SCHEMA.write_text(json.dumps(described(), indent=1) + "\n")

"""meter.csv and former names: what is read, what is refused, what the ledger keeps."""

from __future__ import annotations

import pandas as pd
import pytest

from scheduler.ledger import open_ledger, queries
from scheduler.ledger.intake import intake
from tests.scheduler import site_folders as folders

TOML = folders.TOML + '[[source]]\nname = "well"\nec = 0.5\n[[source]]\nname = "mains"\nec = 0.4\n'
HEADER = "time,meter,reading,source,kind,rolls_over_at,note\n"


def meter(tmp_path, rows, header=HEADER, **files):
    return folders.site(tmp_path / "site", toml=TOML, meter=header + rows, **files).meter


def test_a_meters_rows_say_once_what_holds_for_all(tmp_path):
    found = meter(tmp_path, "2026-06-01T07:00,M1,120,well,,1000,\n2026-07-01T07:00,M1,20,,,,\n")
    assert found["source"].tolist() == ["well", "well"]
    assert found["kind"].tolist() == ["cumulative", "cumulative"]
    assert found["rolls_over_at"].tolist() == [1000.0, 1000.0]
    assert found["time"].dt.strftime("%Y-%m-%dT%H:%M").tolist() == ["2026-06-01T14:00", "2026-07-01T14:00"]


def test_units_of_the_header(tmp_path):
    header = "time,meter,reading [kgal],source,kind,rolls_over_at [kgal],note\n"
    found = meter(tmp_path, "2026-06-01,M1,12,well,cumulative,100,\n", header)
    assert found["reading"].tolist() == pytest.approx([45.424941408])
    assert found["rolls_over_at"].tolist() == pytest.approx([378.5411784])


def test_the_last_reading_of_a_meter_stands_beside_the_first_of_its_successor(tmp_path):
    rows = "2026-07-01T07:00,M1,900,well,,,\n2026-07-01T07:00,M1,0,,,,exchanged\n"
    found = meter(tmp_path, rows)
    assert found[["reading", "starts"]].values.tolist() == [[900.0, False], [0.0, True]]


def test_a_reading_repeated_counts_once_and_the_later_row_wins(tmp_path):
    assert meter(tmp_path, "2026-07-01,M1,5,well,,,\n2026-07-01,M1,6,well,,,\n")["reading"].tolist() == [6.0]


def test_an_hour_that_autumn_shows_twice_keeps_both_readings(tmp_path):
    # clocks go back on 2026-11-01 at 02:00 PDT: with offsets, and without (the second row is the second hour)
    offset = "2026-11-01T01:30-07:00,M1,3,well,interval,,\n2026-11-01T01:30-08:00,M1,4,well,interval,,\n"
    plain = "2026-11-01T01:30,M2,3,well,interval,,\n2026-11-01T01:30,M2,4,well,interval,,\n"
    found = meter(tmp_path, offset + plain)
    assert found["reading"].tolist() == [3.0, 4.0, 3.0, 4.0]
    assert found["time"].dt.strftime("%H:%M").tolist() == ["08:30", "09:30", "08:30", "09:30"]
    again = folders.site(tmp_path / "again", toml=TOML, meter=HEADER + offset + offset).meter
    assert again["reading"].tolist() == [3.0, 4.0]


def test_a_time_that_spring_leaves_out_is_the_moment_after(tmp_path):
    found = meter(tmp_path, "2026-03-08T02:30,M1,3,well,interval,,\n")
    assert found["time"].dt.strftime("%H:%M").tolist() == ["10:00"]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("2026-07-01,M1,-1,well,,,", "a number of 0 or more"),
        ("2026-07-01,M1,5,wall,,,", 'did you mean "well"'),
        ("2026-07-01,M1,5,well,total,,", 'allowed: "cumulative", "interval"'),
        ("2026-07-01,M1,5,well,,5,", "a reading below rolls_over_at, 5 m3"),
        ("2026-07-01,M1,,well,,,", "the cell is empty"),
        ("yesterday,M1,5,well,,,", "a time like 2026-07-14T21:30"),
        ("2026-07-01,M1,5,well,,,\n2026-07-02,M1,6,mains,,,", "one is allowed for a meter"),
    ],
)
def test_what_cannot_be_is_refused_with_its_line(tmp_path, row, words):
    found = folders.lines(tmp_path / "site", toml=TOML, meter=HEADER + row + "\n")
    assert len(found) == 1 and found[0].startswith("meter.csv, line") and words in found[0]


def test_the_ledger_keeps_readings_once(tmp_path):
    site = folders.site(tmp_path / "site", toml=TOML, meter=HEADER + "2026-07-01,M1,5,well,,,\n2026-07-02,M1,6,,,,\n")
    ledger = open_ledger(tmp_path)
    assert intake(site, ledger).counts["meter"].new == 2
    assert intake(site, ledger).counts["meter"].same == 2
    held = queries.meter_readings(ledger)
    ledger.close()
    pd.testing.assert_frame_equal(held[list(site.meter.columns)], site.meter, check_dtype=False)


def test_a_former_name_is_the_zone_everywhere(tmp_path):
    zones = "zone,surface,area,flow,formerly\nG1,green,450,1.5,old1|older1\nF1,fairway,2000,6,\n"
    log = "night,zone,minutes\n2026-07-01,old1,5\n2026-07-02,G1,6\n2026-07-03,older1,7\n2026-07-03,lost,8\n"
    samples = "date,zone,depth,ece\n2026-07-01,old1,10,4\n"
    site = folders.site(tmp_path / "site", zones=zones, applied=log, samples=samples)
    assert site.applied["zone"].tolist() == ["G1", "G1", "G1"] and site.samples["zone"].tolist() == ["G1"]
    assert site.gone[["zone", "minutes"]].values.tolist() == [["lost", 8.0]]


@pytest.mark.parametrize("formerly", ["F1,", "x,x"])
def test_a_former_name_belongs_to_one_zone(tmp_path, formerly):
    one, other = formerly.split(",")
    zones = f"zone,surface,area,flow,formerly\nG1,green,450,1.5,{one}\nF1,fairway,2000,6,{other}\n"
    found = folders.lines(tmp_path / "site", zones=zones)
    assert found and all("none that a zone has today, each for one zone" in line for line in found)

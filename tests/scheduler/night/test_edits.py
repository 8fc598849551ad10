"""The manager's word for a night: kept within the limits, the rest planned round it, and said on the sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.errors import InputProblems
from scheduler.night.edits import managers_word, with_options, with_smallest
from scheduler.site import load_site
from tests.end_to_end.test_full_nights import NIGHT_OF, evening, site
from tests.scheduler.site_folders import lines

# 180 min, one station at a time; all zones are far too dry, so the plan fills the night as far as their limits allow
ZONES = (("G", "green", 60, 60, 0), ("T", "tee", 60, 60, 0), ("R", "rough", 60, 60, 0))


def edited(folder: Path, *rows: str) -> tuple[dict, dict[str, float], list[str], str]:
    made = site(folder, *ZONES)
    (made / "edits.csv").write_text("\n".join(["night,zone,minutes,note", *(f"2026-07-14,{r}" for r in rows)]) + "\n")
    plan, minutes, _, page = evening(made, in_order=False)
    return plan, minutes, [w["text"] for w in plan["warnings"] if w["subject"] == "edits"], page


def test_minutes_skipped_zones_and_their_reasons(tmp_path):
    plan, minutes, told, page = edited(tmp_path / "s", "G,25,mower late", "R,skip,")
    assert minutes == {"G": 25.0, "T": 60.0, "R": 0.0}
    reasons = {z["id"]: z["reason"] for z in plan["zones"]}
    assert reasons["G"].endswith("held at 25 min by the manager (mower late)")
    assert reasons["R"].endswith("not run by the manager")
    kept = "kept for 2 zones: G at 25 min (alone the plan has 60), R at 0 min (alone the plan has 60)"
    assert any(kept in t for t in told)
    assert any("less in these zones than the plan alone" in t and "G, R" in t for t in told)
    assert "held at 25 min by the manager" in page


def test_limits_hold_whatever_is_asked_for(tmp_path):
    # max_run 60: 90 min are not given, and it is said.
    _, minutes, told, _ = edited(tmp_path / "s", "T,90,")
    assert minutes["T"] == 60.0
    assert any(t == "limits do not allow all that was asked for: 90 min for T" for t in told)


def test_a_held_zone_has_its_place_before_those_served_first(tmp_path):
    # 120 + 60 + 60 of 180 min: the rough is held at its hour, so the others share what is left.
    made = site(tmp_path / "s", ("G", "green", 120, 120, 0), ("T", "tee", 60, 60, 0), ("R", "rough", 60, 60, 0))
    (made / "edits.csv").write_text("night,zone,minutes\n2026-07-14,R,60\n")
    _, minutes, _, _ = evening(made, in_order=False)
    assert minutes["R"] == 60.0
    assert sum(minutes.values()) >= 175.0


def test_a_zone_is_held_as_its_plan_stands_and_told_where_none_stands(tmp_path):
    made = site(tmp_path / "s", *ZONES)
    (made / "edits.csv").write_text("night,zone,minutes\n2026-07-14,G,hold\n")
    plan, minutes, _, _ = evening(made, in_order=False)
    assert any("no plan stands for tonight to hold G by" in w["text"] for w in plan["warnings"])
    (made / "edits.csv").write_text("night,zone,minutes\n2026-07-14,G,33\n")
    evening(made, in_order=False)
    (made / "edits.csv").write_text("night,zone,minutes\n2026-07-14,G,hold\n")
    _, minutes, _, _ = evening(made, in_order=False)
    assert minutes["G"] == 33.0


def test_other_nights_and_free_zones_are_planned_as_ever(tmp_path):
    made = site(tmp_path / "s", *ZONES)
    (made / "edits.csv").write_text("night,zone,minutes\n2026-07-13,G,skip\n2026-07-14,T,free\n")
    plan, minutes, _, _ = evening(made, in_order=False)
    assert minutes["G"] == minutes["T"] == 60.0
    assert not [w for w in plan["warnings"] if w["subject"] == "edits"]


def test_a_word_that_is_none_is_refused(tmp_path):
    told = lines(tmp_path, edits="night,zone,minutes\n2026-07-14,G1,mabye\n2026-07-14,X9,10\n2026-07-14,F1,-3\n")
    assert sum("hold, skip or free is allowed" in t for t in told) == 2
    assert any("X9" in t and "a zone of zones.csv is allowed" in t for t in told)


def test_options_of_the_command_line(tmp_path):
    loaded = load_site(site(tmp_path / "s", *ZONES))
    said = with_options(loaded, NIGHT_OF, hold=["G=12", "T"], skip=["R"]).edits
    assert said[["zone", "word"]].to_numpy().tolist() == [["G", "minutes"], ["T", "hold"], ["R", "skip"]]
    only = with_options(loaded, NIGHT_OF, only=["tee"]).edits
    assert only["zone"].tolist() == ["G", "R"] and set(only["word"]) == {"skip"}
    with pytest.raises(InputProblems, match="ZONE=MINUTES"):
        with_options(loaded, NIGHT_OF, hold=["G=soon"])
    with pytest.raises(InputProblems, match="a zone of zones.csv"):
        with_options(loaded, NIGHT_OF, skip=["Q"])
    for word, near in (("gren", r' \(did you mean "green"'), ("lawn", ", one of green, tee, fairway")):
        with pytest.raises(InputProblems, match=f'read "{word}"; a surface is allowed{near}'):
            with_options(loaded, NIGHT_OF, only=[word])


def test_a_zone_is_called_by_its_id_or_by_a_name_that_it_alone_has(tmp_path):
    loaded = load_site(site(tmp_path / "s", *ZONES))
    named = replace(loaded, zones=replace(loaded.zones, name=np.array(["R", "Tee 1", "Tee 1"], dtype=object)))
    assert with_options(named, NIGHT_OF, skip=["R"]).edits["zone"].tolist() == ["R"]  # the id, not green G's name
    with pytest.raises(InputProblems, match='read "Tee 1"; a zone of zones.csv'):
        with_options(named, NIGHT_OF, skip=["Tee 1"])  # two have it
    named = replace(loaded, zones=replace(loaded.zones, name=np.array(["", "Tee 1", "Bank"], dtype=object)))
    said = with_options(named, NIGHT_OF, hold=["Tee 1=12"], skip=["Bank"]).edits
    assert said[["zone", "word"]].to_numpy().tolist() == [["T", "minutes"], ["R", "skip"]]
    with pytest.raises(InputProblems, match=r'did you mean "Tee 1"'):
        with_options(named, NIGHT_OF, hold=["Tee 2=12"])


def word(folder, *rows, longest=((60.0, 10.0), (45.0, 10.0), (60.0, 10.0)), resolution=2.0):
    """The word of edits.csv for the first of two nights of G, T and R."""
    made = site(folder, *ZONES)
    (made / "edits.csv").write_text("\n".join(["night,zone,minutes,note", *rows]) + "\n")
    inputs = SimpleNamespace(
        dates=(NIGHT_OF, NIGHT_OF + timedelta(days=1)),
        longest_run=np.array(longest),
        resolution=np.full(3, resolution),
        smallest_run=np.full(3, 10.0),
    )
    return managers_word(load_site(made), inputs), inputs


def test_a_word_is_of_its_own_night_in_whole_steps_up_to_the_longest_run(tmp_path):
    rows = ("2026-07-14,G,25.9,a note", "2026-07-14,T,90,", "2026-07-15,R,12,", "2026-07-13,R,skip,")
    found, _ = word(tmp_path / "s", *rows)
    np.testing.assert_equal(found.minutes, [24.0, 44.0, np.nan])  # steps of 2 min
    np.testing.assert_equal(found.asked, [25.9, 90.0, np.nan])
    assert found.notes == ("a note", "", "") and found.unknown == ()
    assert found.said.tolist() == [True, True, False]


def test_a_run_that_is_asked_for_is_worth_making_however_short(tmp_path):
    found, inputs = word(tmp_path / "s", "2026-07-14,G,4,", "2026-07-14,T,skip,")
    assert found.minutes.tolist()[:2] == [4.0, 0.0]
    assert with_smallest(Inputs(**vars(inputs)), found).smallest_run.tolist() == [4.0, 2.0, 10.0]


@dataclass(frozen=True)
class Inputs:
    dates: tuple
    longest_run: np.ndarray
    resolution: np.ndarray
    smallest_run: np.ndarray


@pytest.mark.parametrize(("minutes", "fits"), [("0", True), ("1440", True), ("-1", False), ("1441", False)])
def test_minutes_of_a_word_are_those_of_a_day(tmp_path, minutes, fits):
    loaded = load_site(site(tmp_path / "s", *ZONES))
    if fits:
        assert with_options(loaded, NIGHT_OF, hold=[f"G={minutes}"]).edits["minutes"].tolist() == [float(minutes)]
    else:
        with pytest.raises(InputProblems, match="minutes from 0 to 1440"):
            with_options(loaded, NIGHT_OF, hold=[f"G={minutes}"])


def test_the_command_line_s_word_stands_in_place_of_the_file_s_for_its_zones_alone(tmp_path):
    made = site(tmp_path / "s", *ZONES)
    (made / "edits.csv").write_text("night,zone,minutes\n2026-07-14,G,5\n2026-07-14,T,6\n2026-07-15,G,7\n")
    said = with_options(load_site(made), NIGHT_OF, skip=["G"]).edits
    found = {(row.night.day, row.zone): (row.word, row.minutes) for row in said.itertuples()}
    assert found.keys() == {(14, "G"), (14, "T"), (15, "G")}
    assert found[14, "G"][0] == "skip" and found[14, "T"] == ("minutes", 6.0) and found[15, "G"] == ("minutes", 7.0)

"""Drawings of the sheets on the smallest data, every line where its value belongs; flow and map by hand."""

import re
from datetime import date, datetime
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from scheduler.sheets import flow, site_map, zone_course
from scheduler.sheets import morning as morning_sheet
from scheduler.sheets.charts import (
    ALERT,
    BAND,
    INK,
    PAPER,
    QUIET,
    SHUT,
    WATER,
    BandChart,
    CourseChart,
    FlowChart,
    SaltChart,
    band_chart,
    course_chart,
    flow_chart,
    salt_chart,
    share_bar,
)
from scheduler.sheets.site_map import WIDE, _common_word, _edges, _free_spot, _labels, _marked_boxes, _near, apart
from tests.scheduler.site_folders import site

NAN = np.nan


def tags(svg, name):
    """Attributes and text of every element of a kind."""
    root = ElementTree.fromstring(str(svg))
    return [({k: v for k, v in e.attrib.items()}, e.text) for e in root.iter() if e.tag == name]


def texts(svg):
    """Texts by what they say: x, y, colour, anchor."""
    found = {}
    for at, text in tags(svg, "text"):
        found[text] = (float(at["x"]), float(at["y"]), at["fill"], at["text-anchor"])
    return found


def lines(svg):
    """Lines as (x1, y1, x2, y2, colour, dashes)."""
    return [
        (*(float(at[k]) for k in ("x1", "y1", "x2", "y2")), at["stroke"], at.get("stroke-dasharray", ""))
        for at, _ in tags(svg, "line")
    ]


def near(*values):
    return tuple(pytest.approx(v, abs=0.06) if isinstance(v, float) else v for v in values)


# ------------------------------------------------------------------------------------------------ flow of a night


def night(**changes):
    """21:00 to 01:00, open in two pieces; 10 L/s, 0 and 4; the axis reaches 1.08 of the capacity of 12."""
    base = dict(
        pump="p", minutes=np.array([1260.0, 1320.0, 1380.0]), flow=np.array([10.0, 0.0, 4.0]), end=1440.0,
        capacity=12.0,
        open_pieces=[(1260.0, 1380.0), (1440.0, 1500.0)],
        ticks=[(1260.0, "21"), (1380.0, "23"), (1500.0, "1"), (9.0, "x")],
        levels=[(5.0, "5 L/s"), (10.0, "10 L/s")], capacity_text="capacity 12", alt="<flow>", smallest=3.0,
        smallest_text="smallest 3",
    )  # fmt: skip
    return flow_chart(FlowChart(**(base | changes)))


def x(minute, first=1260.0, last=1500.0):
    return 42 + 310 * (minute - first) / (last - first)


def y(value, most=12.0 * 1.08):
    return 126 - 106 * value / most


def test_a_night_s_flow_stands_against_its_capacity_and_hours():
    svg = night()
    shut, first, second = [at for at, _ in tags(svg, "rect")]
    assert (shut["fill"], shut["x"], shut["y"], shut["width"], shut["height"]) == (
        SHUT,
        "42.0",
        "20.0",
        "310.0",
        "106.0",
    )
    assert (first["fill"], float(first["x"]), float(first["width"])) == near(PAPER, 42.0, 155.0)
    assert (float(second["x"]), float(second["width"]), second["y"], second["height"]) == near(
        x(1440.0), 77.5, "20.0", "106.0"
    )
    (path,) = [at for at, _ in tags(svg, "path")]
    steps = "".join(f"H{x(m):.1f}V{y(f):.1f}" for m, f in ((1260.0, 10.0), (1320.0, 0.0), (1380.0, 4.0)))
    assert path["d"] == f"M42.0 126{steps}H{x(1440.0):.1f}V126" and path["fill"] == WATER
    said = texts(svg)
    assert said["5"] == near(38.0, y(5.0) + 4, QUIET, "end") and said["10"] == near(38.0, y(10.0) + 4, QUIET, "end")
    assert said["L/s"] == near(2.0, 12.0, QUIET, "start")
    assert said["capacity 12"] == near(352.0, y(12.0) - 4, ALERT, "end")
    assert said["smallest 3"] == near(352.0, y(3.0) + 11, ALERT, "end")
    assert said["21"] == near(42.0, 142.0, INK, "start") and said["1"] == near(352.0, 142.0, INK, "end")
    assert said["23"] == near(x(1380.0), 142.0, INK, "middle") and "x" not in said
    drawn = lines(svg)
    assert near(42.0, y(12.0), 352.0, y(12.0), ALERT, "7 4") in drawn
    assert near(42.0, y(3.0), 352.0, y(3.0), ALERT, "2 3") in drawn
    assert near(42.0, y(5.0), 352.0, y(5.0)) in [d[:4] for d in drawn]
    assert (
        near(x(1380.0), 126.0, x(1380.0), 130.0, INK, "") in drawn and near(42.0, 126.0, 352.0, 126.0, INK, "") in drawn
    )
    assert len(drawn) == 2 + 2 + 1 + 3
    assert 'aria-label="&lt;flow&gt;"' in str(svg) and 'viewBox="0 0 360 150"' in str(svg)


def test_a_flow_above_its_capacity_and_outside_its_hours_is_still_inside_the_drawing():
    svg = night(
        flow=np.array([10.0, 24.0, 4.0]), open_pieces=[(1300.0, 1400.0)], capacity=None, smallest=None, levels=[]
    )
    (path,) = [at for at, _ in tags(svg, "path")]
    assert f"V{y(24.0, 24.0 * 1.08):.1f}" in path["d"] and f"H{x(1440.0, 1260.0, 1440.0):.1f}" in path["d"]
    assert texts(svg).keys() == {"21", "23"}
    empty = night(minutes=np.zeros(0), flow=np.zeros(0))
    assert tags(empty, "path") == []


# ------------------------------------------------------------------------------------------------------- the band


def test_a_surface_stands_in_its_band_and_what_lies_far_beyond_is_drawn_at_the_edge():
    place = lambda p: 6 + 138 * (min(max(p, -0.4), 1.4) + 0.4) / 1.8  # noqa: E731
    low, middle, high, driest = (np.array(v) for v in ([-0.9, 0.1], [0.3, 0.5], [0.7, 1.2], [1.0, 2.0]))
    svg = band_chart(BandChart(low, middle, high, driest, ["now", "Wed"], "firm", "dry", "alt"))
    xs = (22.0, 336.0)
    (band,) = [at for at, _ in tags(svg, "rect")]
    assert (band["fill"], float(band["y"]), float(band["height"]), band["x"]) == near(
        BAND, place(0), place(1) - place(0), "8.0"
    )
    assert lines(svg) == [
        near(8.0, place(0), 352.0, place(0), WATER, ""), near(8.0, place(1), 352.0, place(1), ALERT, ""),
    ]  # fmt: skip
    said = texts(svg)
    assert said["firm"] == near(10.0, place(0) - 5, WATER, "start") and said["dry"] == near(
        10.0, place(1) + 13, ALERT, "start"
    )
    assert said["now"] == near(22.0, 162.0, INK, "middle") and said["Wed"] == near(336.0, 162.0, INK, "middle")
    points = lambda *ps: " ".join(f"{a:.1f},{place(b):.1f}" for a, b in ps)  # noqa: E731
    (area,) = [at for at, _ in tags(svg, "polygon")]
    assert area["points"] == points((22, -0.9), (336, 0.1), (336, 1.2), (22, 0.7))
    worst, half = [at for at, _ in tags(svg, "polyline")]
    assert worst["points"] == points(*zip(xs, driest, strict=True)) and worst["stroke"] == ALERT
    assert half["points"] == points(*zip(xs, middle, strict=True)) and half["stroke"] == INK
    assert [(at["cx"], at["cy"]) for at, _ in tags(svg, "circle")] == [
        (f"{a:.1f}", f"{place(b):.1f}") for a, b in zip(xs, middle, strict=True)
    ]


@pytest.mark.parametrize(("count", "told"), [(1, 1), (8, 8), (9, 5), (17, 6)])
def test_a_long_horizon_names_some_of_its_nights(count, told):
    flat = np.full(count, 0.5)
    svg = band_chart(BandChart(flat, flat, flat, flat, [f"n{i}" for i in range(count)], "w", "d", "alt"))
    named = [t for t in texts(svg) if t.startswith("n")]
    assert len(named) == told and named[0] == "n0" and len(tags(svg, "circle")) == count
    if count == 1:
        assert texts(svg)["n0"][0] == 180.0


# ----------------------------------------------------------------------------------------------- a zone's course


def course(**changes):
    base = dict(
        read=np.array([NAN, 12.0, NAN, NAN]), estimate=np.array([8.0, 10.0, 14.0, NAN]),
        spread=np.array([2.0, 2.0, 4.0, NAN]), planned=np.array([NAN, NAN, 14.0, 24.0]),
        water=np.array([0.0, 6.0, NAN, 3.0]), rain=np.array([2.0, 0.0, NAN, 0.0]), tonight=2, wet=4.0, dry=20.0,
        marks=[(0, "a"), (1, "b"), (3, "c")], most_text="6 mm", alt="alt",
    )  # fmt: skip
    return course_chart(CourseChart(**(base | changes)))


XS = [8 + 86 * (i + 0.5) for i in range(4)]


def depth(value, least=0.0, most=24.0):
    return 14 + 94 * (value - least) / (most - least)


def test_a_zone_s_course_lies_between_full_and_the_driest_of_it():
    svg = course()
    (band,) = [at for at, _ in tags(svg, "rect")]
    assert (float(band["y"]), float(band["height"])) == near(depth(4.0), depth(20.0) - depth(4.0))
    assert lines(svg)[:3] == [
        near(8.0, depth(4.0), 352.0, depth(4.0), WATER, ""), near(8.0, depth(20.0), 352.0, depth(20.0), ALERT, ""),
        near(XS[2], 14.0, XS[2], 158.0, QUIET, "2 3"),
    ]  # fmt: skip
    pairs = lambda *ps: " ".join(f"{a:.1f},{depth(b):.1f}" for a, b in ps)  # noqa: E731
    (sure,) = [at for at, _ in tags(svg, "polygon")]
    assert sure["points"] == pairs((XS[0], 6), (XS[1], 8), (XS[2], 10), (XS[2], 18), (XS[1], 12), (XS[0], 10))
    estimate, planned = [at for at, _ in tags(svg, "polyline")]
    assert estimate["points"] == pairs((XS[0], 8), (XS[1], 10), (XS[2], 14)) and "stroke-dasharray" not in estimate
    assert planned["points"] == pairs((XS[2], 14), (XS[3], 24)) and planned["stroke-dasharray"] == "5 3"
    dots, water, rain = [at for at, _ in tags(svg, "path")]
    assert dots["d"] == f"M{XS[1]:.1f} {depth(12):.1f}h0"
    # 36 of room for 6 mm; bars as wide as two fifths of a date, rain to the left of it.
    assert water["d"] == f"M{XS[1]:.1f} 158.0v-36.0h34.4v36.0zM{XS[3]:.1f} 158.0v-18.0h34.4v18.0z"
    assert rain["d"] == f"M{XS[0] - 34.4:.1f} 158.0v-12.0h34.4v12.0z" and rain["fill"] == "none"
    said = texts(svg)
    assert said["highest 6 mm"] == near(8.0, 120.0, QUIET, "start") and said["full"] == near(8.0, 11.0, QUIET, "start")
    assert said["a"] == near(XS[0], 173.0, INK, "middle") and said["c"] == near(XS[3], 173.0, INK, "middle")
    assert near(8.0, 158.0, 352.0, 158.0, INK, "") in lines(svg)


def test_a_course_that_stays_moist_reaches_past_its_dry_limit_and_below_full_where_it_is_flooded():
    dry = course(planned=np.array([NAN, NAN, 14.0, 15.0]))
    assert near(8.0, depth(20.0, 0.0, 23.0), 352.0, depth(20.0, 0.0, 23.0), ALERT, "") in lines(dry)
    flooded = course(estimate=np.array([-4.0, 10.0, 14.0, NAN]))
    assert near(8.0, depth(20.0, -4.0, 24.0), 352.0, depth(20.0, -4.0, 24.0), ALERT, "") in lines(flooded)


def test_on_a_first_evening_the_spread_is_a_bar_and_marks_at_the_edges_stay_inside():
    first = np.array([NAN] * 17 + [10.0] + [NAN] * 2)
    svg = course(
        read=np.full(20, NAN), estimate=first, spread=first / 5, planned=np.full(20, NAN), water=np.full(20, NAN),
        rain=np.full(20, NAN), tonight=17, marks=[(0, "a"), (19, "z"), (2, "m")],
    )  # fmt: skip
    (bar,) = [at["d"] for at, _ in tags(svg, "path")]
    at = 8 + 17.2 * 17.5
    top, low = depth(8.0, 0.0, 23.0), depth(12.0, 0.0, 23.0)
    assert bar == f"M{at - 4:.1f} {top:.1f}h8m-4 0V{low:.1f}m-4 0h8" and tags(svg, "polygon") == []
    said = texts(svg)
    assert (said["a"][3], said["z"][3], said["m"][3]) == ("start", "end", "middle")


def test_a_zone_s_salinity_goes_on_dashed_from_tonight():
    ece, sampled = np.array([NAN, 2.0, 4.0, 3.0]), np.array([NAN, 5.0, NAN, NAN])
    svg = salt_chart(SaltChart(ece, sampled, 2, "4.0, then 3.0", "alt"))
    at = lambda v: 66 - 46 * v / 5.5  # noqa: E731
    behind, ahead = [a["points"] for a, _ in tags(svg, "polyline")]
    assert behind == f"{XS[1]:.1f},{at(2):.1f} {XS[2]:.1f},{at(4):.1f}"
    assert ahead == f"{XS[2]:.1f},{at(4):.1f} {XS[3]:.1f},{at(3):.1f}"
    assert [(a["cx"], a["cy"]) for a, _ in tags(svg, "circle")] == [
        (f"{XS[2]:.1f}", f"{at(4):.1f}"), (f"{XS[3]:.1f}", f"{at(3):.1f}"),
    ]  # fmt: skip
    (box,) = [a for a, _ in tags(svg, "rect")]
    assert (float(box["x"]), float(box["y"]), box["width"]) == near(XS[1] - 3.5, at(5) - 3.5, "7")
    assert lines(svg) == [near(8.0, 66.0, 352.0, 66.0, INK, ""), near(XS[2], 16.0, XS[2], 66.0, QUIET, "2 3")]
    assert texts(svg)["4.0, then 3.0"] == near(XS[3] + 7, at(3) + 4, INK, "start")
    assert texts(svg)["salinity"] == near(8.0, 11.0, QUIET, "start")
    low = salt_chart(SaltChart(np.array([NAN, 5.0, 4.0, 0.1]), sampled, 2, "low", "alt"))
    assert texts(low)["low"][1] == 63.0


def test_shares_stand_side_by_side_and_never_pass_the_whole():
    svg = share_bar([(0.25, "solid"), (-0.1, "hatched"), (0.5, "hatched"), (0.5, "empty"), (0.1, "solid")], "alt")
    shown = [a for a, _ in tags(svg, "rect")][2:-1]  # behind the two of the pattern, before the frame
    assert [(a["fill"], float(a["x"]), float(a["width"])) for a in shown] == [
        near(WATER, 2.0, 89.0), near("url(#hatch)", 91.0, 178.0), near(PAPER, 269.0, 89.0),
    ]  # fmt: skip
    assert all(a["y"] == "4.0" and a["height"] == "24.0" for a in shown)


# ----------------------------------------------------------------------------------------------- the pumps' night


def plan_of(flows, pumps=(), units="metric", energy=(), window=((21, 25),)):
    at = lambda h: datetime(2026, 7, 14 + h // 24, h % 24)  # noqa: E731
    pieces = [SimpleNamespace(start=at(a), end=at(b)) for a, b in window]
    return SimpleNamespace(
        night=date(2026, 7, 14), pumps=pumps, energy=energy, nights=[SimpleNamespace(window=pieces)],
        flow=[SimpleNamespace(minute=m, pumps=p) for m, p in flows], site=SimpleNamespace(units=units, currency="USD"),
    )  # fmt: skip


def pump(**changes):
    base = dict(
        name="p", capacity_lps=20.0, smallest_flow_lps=2.0, under_smallest_min=0.0, energy_kwh=None,
        highest_head_m=None,
        short_of_head_min=0.0,
    )  # fmt: skip
    return SimpleNamespace(**(base | changes))


FLOWS = [
    (1260, {"p": 0.0}),
    (1265, {"p": 5.0}),
    (1270, {"p": 5.0}),
    (1280, {"p": 10.0, "q": 3.0}),
    (1300, {}),
    (1310, {}),
]


def test_flow_by_pump_is_zero_where_it_is_not_told():
    found = flow.pump_flows(plan_of(FLOWS))
    minutes, flows, end = found["q"]
    assert (minutes.tolist(), flows.tolist(), end) == ([1260, 1265, 1270, 1280, 1300, 1310], [0, 0, 0, 3, 0, 0], 1311.0)
    assert flow.pump_minutes(*found["p"]) == 35.0 and flow.pump_minutes(*found["q"]) == 20.0
    assert flow.pump_flows(plan_of([])) == {}


def charts(monkeypatch, **changes):
    seen = []
    monkeypatch.setattr(flow, "flow_chart", lambda chart: seen.append(chart) or "drawing")
    plan = plan_of(FLOWS, **changes)
    told = flow.flow_charts(plan, flow.pump_flows(plan))
    return told, seen


def test_a_pump_s_night_is_told_with_its_peak_and_drawn_from_its_first_water_to_its_last(monkeypatch):
    (told, other), (chart, _) = charts(monkeypatch, pumps=[pump(under_smallest_min=3.0)])
    assert told["words"] == (
        "Highest 10.0 L/s at 21:20, 50 % of capacity; delivers for 35 min. Below its smallest flow for 3 min."
    )
    assert other["words"] == "Highest 3.0 L/s at 21:20; delivers for 20 min."
    assert (chart.minutes.tolist(), chart.flow.tolist(), chart.end) == ([1265.0, 1280.0], [5.0, 10.0], 1300.0)
    assert chart.open_pieces == [(1260.0, 1500.0)] and (chart.capacity, chart.smallest) == (20.0, 2.0)
    assert (chart.capacity_text, chart.smallest_text) == ("capacity 20.0 L/s", "smallest 2.0 L/s")
    assert chart.alt.startswith("Flow of pump station p through the night. Highest 10.0 L/s")
    assert [m for m, _ in chart.ticks] == [1260.0, 1320.0, 1380.0, 1440.0, 1500.0]
    plain = charts(monkeypatch, pumps=[pump()])[1][0]
    assert plain.smallest is None


def test_a_pump_that_runs_to_the_end_ends_there_and_one_that_rests_is_not_drawn(monkeypatch):
    seen = []
    monkeypatch.setattr(flow, "flow_chart", lambda chart: seen.append(chart) or "drawing")
    plan = plan_of([(1200, {"p": 5.0, "q": 0.0}), (1559, {"p": 5.0, "q": 0.0})])
    (told,) = flow.flow_charts(plan, flow.pump_flows(plan))
    assert told["pump"] == "p" and seen[0].end == 1560.0 and seen[0].minutes.tolist() == [1200.0]
    assert [m for m, _ in seen[0].ticks] == [1200.0, 1260.0, 1320.0, 1380.0, 1440.0, 1500.0, 1560.0]


def test_a_station_tells_energy_head_and_what_it_lacks():
    full = pump(energy_kwh=12.0, highest_head_m=61.0, short_of_head_min=4.0, under_smallest_min=2.0)
    assert flow._station_words(full, "metric") == (
        " 12 kWh, head up to 61.0 m. Short of head for 4 min. Below its smallest flow for 2 min."
    )
    assert flow._station_words(pump(), "metric") == ""


@pytest.mark.parametrize(
    ("first", "last", "units", "ticks"),
    [
        (1261.0, 1500.0, "metric", [(1320, "22:00"), (1380, "23:00"), (1440, "00:00"), (1500, "01:00")]),
        (1260.0, 1319.0, "metric", [(1260, "21:00")]),
        (1200.0, 1830.0, "metric", [(1200, "20:00"), (1320, "22:00"), (1440, "00:00"), (1560, "02:00"), (1680, "04:00"),
                                    (1800, "06:00")]),
    ],
)  # fmt: skip
def test_hours_of_a_night_are_marked_about_five_times(first, last, units, ticks):
    assert flow._hour_ticks(first, last, datetime(2026, 7, 14), units) == [(float(m), t) for m, t in ticks]


@pytest.mark.parametrize(("most", "levels"), [(20.0, [5.0, 10.0, 15.0]), (6.0, [2.0, 4.0]), (9.0, [2.5, 5.0, 7.5]),
                                              (3.0, [1.0, 2.0]), (150.0, [50.0, 100.0])])  # fmt: skip
def test_round_marks_of_the_flow_axis(most, levels):
    assert [m for m, _ in flow._flow_levels(most, "metric")] == pytest.approx(levels)


def block(start, end, price, cost, energy=10.0):
    return SimpleNamespace(
        start=datetime(2026, 7, 14, start), end=datetime(2026, 7, 14, end), price=price, volume_m3=5.0,
        energy_kwh=energy,
        cost=cost,
    )  # fmt: skip


def test_energy_by_block_adds_up():
    two = flow.energy_blocks(plan_of([], energy=[block(1, 3, 0.2, 2.0), block(3, 5, 0.1, 1.5, 15.0)]))
    assert [r["hours"] for r in two["rows"]] == ["01:00–03:00", "03:00–05:00"]
    assert (two["total"]["energy"], two["total"]["cost"], two["total"]["volume"]) == ("25 kWh", "3.50 USD", "10.0 m³")
    assert flow.energy_blocks(plan_of([], energy=[block(1, 3, None, None)])) is None
    assert flow.energy_blocks(plan_of([])) is None
    assert flow.energy_blocks(plan_of([], energy=[block(1, 3, 0.2, 2.0)]))["total"]["cost"] == "2.00 USD"
    assert len(flow.energy_blocks(plan_of([], energy=[block(1, 3, None, None)] * 2))["rows"]) == 2


# ---------------------------------------------------------------------------------------------------------- the map


@pytest.mark.parametrize(
    ("places", "word"),
    [
        (["hole 1", "hole 2", "hole 2", "range"], "hole"), (["hole 1", "range", "putting"], ""),
        (["hole 1", "range"], ""), (["hole 1a", "hole 2b"], "hole"),
        (["pitch 1", "hole 1", "hole 2", "hole 10"], "hole"),
        ([], ""), (["", "hole 1"], "hole"), (["1", "2"], ""),
    ],
)  # fmt: skip
def test_the_word_before_most_numbers(places, word):
    assert _common_word(places) == word


def shown(at, mark="!", outline=(), place="", now="moist", then="dry"):
    zone = SimpleNamespace(position_m=at, outline_m=outline, place=place)
    return SimpleNamespace(zone=zone, mark=mark, now=now, then=then, words="words")


def test_metres_become_a_drawing_with_north_up_and_a_margin():
    # 100 m wide and 50 m high in 852 of 880: 8.52 a metre.
    at, rings, height, scale = site_map._fitted([shown((0.0, 0.0)), shown((100.0, 50.0))], WIDE)
    assert scale == pytest.approx(8.52) and height == pytest.approx(50 * 8.52 + 28 + 34)
    np.testing.assert_allclose(at, [[14.0, 14.0 + 426.0], [866.0, 14.0]])
    # A high one is held to three quarters of the width, and stands in the middle.
    at, _, height, scale = site_map._fitted([shown((0.0, 0.0)), shown((50.0, 200.0))], WIDE)
    assert scale == pytest.approx(852 * 0.75 / 200)
    np.testing.assert_allclose(at[:, 0], [440 - 25 * scale, 440 + 25 * scale])
    # A flat one still has a third of its width, and outlines count.
    square = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0)]
    at, rings, height, _ = site_map._fitted([shown((5.0, 5.0), outline=[square])], WIDE)
    assert rings[0][0].shape == (3, 2) and at[0, 0] == 440.0
    assert site_map._fitted([shown((0.0, 0.0)), shown((500.0, 0.0))], WIDE)[2] == pytest.approx(852 * 0.3 + 62)


def test_squares_part_along_the_shorter_way():
    low, high = np.zeros(2), np.full(2, 100.0)
    moved = apart(np.array([[50.0, 50.0], [56.0, 50.0]]), 10.0, low, high)
    assert moved[1, 0] - moved[0, 0] == pytest.approx(10.8, abs=0.01) and abs(moved[1, 1] - moved[0, 1]) < 0.5
    assert moved.mean(axis=0) == pytest.approx([53.0, 50.0], abs=0.15)
    above = apart(np.array([[50.0, 50.0], [50.0, 44.0]]), 10.0, low, high)
    assert above[0, 1] - above[1, 1] == pytest.approx(10.8, abs=0.01)
    still = np.array([[10.0, 10.0], [50.0, 50.0]])
    assert np.abs(apart(still, 10.0, low, high) - still).max() <= 0.1


@pytest.mark.parametrize("count", [0, 400])
def test_pairs_within_reach_are_found_however_many_there_are(count):
    some = np.array([[0.0, 0.0], [5.0, 1.0], [5.1, 0.0]])
    far = 1000.0 + 100.0 * np.stack((np.arange(count), np.arange(count)), axis=1)
    pairs = {tuple(sorted(p)) for p in _near(np.vstack([some, far.reshape(-1, 2)]), 5.0).tolist()}
    assert pairs == {(0, 1), (1, 2)}


def test_boxes_that_names_keep_off():
    at = np.array([[10.0, 10.0], [50.0, 50.0], [90.0, 90.0]])
    placed = [shown((0, 0), "!"), shown((0, 0), "ab"), shown((0, 0), "")]
    found = _marked_boxes(placed, at, np.array([False, True, True]), 8.0, 10.0)
    np.testing.assert_allclose(found, [[6, 6, 14, 14], [42, 44, 58, 56]])
    assert _marked_boxes([], at, np.zeros(0, dtype=bool), 8.0, 10.0).shape == (0, 4)
    edge = _edges([np.array([[0.0, 0.0], [7.0, 0.0]])])
    assert edge.shape == (16, 4) and [0.5, -0.5, 1.5, 0.5] in edge.tolist() and edge[:, 2].max() == 7.5
    assert _edges([]).shape == (0, 4)


def test_a_name_takes_the_first_free_place_and_none_where_all_is_taken():
    nothing = [np.zeros((4, 0))]
    assert _free_spot([(50.0, 50.0)], 20.0, 10.0, nothing, 100, 100.0).tolist() == [40, 45, 60, 55]
    touching = [np.array([[60.0], [45.0], [70.0], [55.0]])]
    assert _free_spot([(50.0, 50.0)], 20.0, 10.0, touching, 100, 100.0).tolist() == [40, 45, 60, 55]
    taken = [np.array([[59.0], [54.0], [70.0], [60.0]])]
    assert _free_spot([(50.0, 50.0)], 20.0, 10.0, taken, 100, 100.0).tolist() == [40, 34, 60, 44]  # above
    whole = [np.array([[0.0], [0.0], [100.0], [100.0]])]
    assert _free_spot([(50.0, 50.0), (20.0, 20.0)], 20.0, 10.0, whole, 100, 100.0) is None
    second = _free_spot([(5.0, 5.0), (50.0, 50.0)], 20.0, 10.0, nothing, 100, 100.0)
    assert second.tolist() == [40, 45, 60, 55]


def test_places_are_named_once_in_the_middle_of_their_zones():
    placed = [shown((0, 0), place=p) for p in ("hole 10", "hole 10", "hole 2", "")]
    at = np.array([[100.0, 100.0], [140.0, 100.0], [400.0, 100.0], [500.0, 100.0]])
    found = _labels(placed, at, np.zeros((0, 4)), WIDE, 500.0, "hole")
    said = [re.search(r'x="([0-9.]+)" y="([0-9.]+)" font-size="(\d+)">([^<]+)<', text).groups() for text in found]
    assert said == [("400.0", "103.1", "12", "2"), ("120.0", "103.1", "12", "10")]
    assert "hole 2" in _labels(placed, at, np.zeros((0, 4)), WIDE, 500.0, "")[0]


@pytest.mark.parametrize(
    ("per_metre", "units", "length", "text"),
    [(2.556, "metric", 100.0, "100 m"), (2.5, "metric", 100.0, "100 m"), (2.0, "metric", 100.0, "100 m"),
     (1.0, "metric", 200.0, "200 m"), (1.0, "us", 152.4, "500 ft"), (0.4, "metric", 500.0, "500 m")],
)  # fmt: skip
def test_the_scale_is_the_longest_round_length_of_a_third(per_metre, units, length, text):
    bar, words, arrow, north = site_map._scale(WIDE, 400.0, per_metre, units)
    assert bar == f'<path class="rule" d="M14.0 385.0V390.0H{14 + length * per_metre:.1f}V385.0"/>'
    assert f">{text}</text>" in words and 'x="18.0" y="384.0"' in words
    assert 'd="M858.0 370.0l5' in arrow and 'x="844.0" y="388.0"' in north


def test_a_zone_is_filled_for_now_and_tomorrow_and_large_outlines_lie_below():
    big, small = [[(0, 0), (9, 0), (9, 9)]], [[(0, 0), (2, 0), (2, 2)]]
    placed = [shown((0, 0)), shown((0, 0), outline=small), shown((0, 0), outline=big), shown((0, 0), outline=small)]
    order = [i for i, _ in site_map._in_order(placed, np.array([False, True, True, False]))]
    assert order == [2, 1, 0, 3]
    square = site_map._zone(placed[0], None, np.array([50.0, 40.0]), 10.0, 5.0, "wide")
    assert '<rect x="45.0" y="35.0" width="10.0" height="10.0" fill="url(#wide-moist-dry)"/>' in square
    assert '<text x="50.0" y="41.8" font-size="5.0">!</text>' in square
    path = site_map._zone(shown((0, 0), ""), [np.array([[1.0, 2.0], [3.0, 4.0]])], np.zeros(2), 10.0, 5.0, "wide")
    assert 'd="M1.0 2.0L3.0 4.0Z"' in path and "<text" not in path
    fill = site_map._fill("wet", "dry", "wide")
    assert fill.index(site_map.COLOURS["wet"]) < fill.index(site_map.COLOURS["dry"]) and fill.count("#fff") == 3
    assert 'x="0.5" width=".5" height="1" fill="#e98a3a"' in fill


def test_a_zone_s_course_shows_the_depth_of_minutes_or_of_volume(tmp_path):
    zones = "zone,surface,area,flow\nG1,green,500,2\nF1,fairway,2000,4\n"
    log = "night,zone,minutes,volume\n2026-07-11,G1,30,\n2026-07-12,G1,30,\n2026-07-13,F1,,10\n"
    place = site(tmp_path, zones=zones, applied=log)
    rows = zone_course._applied(place, pd.date_range("2026-07-12", "2026-07-14"))
    found = [(z, f"{n:%m-%d}", round(d, 9)) for z, n, d in rows.itertuples(index=False)]
    assert found == [("F1", "07-13", 5.0), ("G1", "07-12", 7.2)]  # 10 m3 over 2000 m2; 3.6 m3 over 500
    assert zone_course._applied(place, pd.date_range("2026-08-01", "2026-08-02")).empty


# ------------------------------------------------------------------------------------------------- the course of a zone


def test_past_days_are_as_read_and_estimated_and_those_ahead_as_planned():
    def stands(depletion, spread, ece):
        return SimpleNamespace(depletion_mm=depletion, spread_mm=spread, ece_dsm=ece)

    def ahead(depletion, depth, rain):
        return SimpleNamespace(depletion_mm=depletion, depth_mm=depth, effective_rain_mm=rain)

    zone = SimpleNamespace(before=stands(9.0, 2.0, 1.5), after=stands(5.0, 2.0, None),
                           path=(ahead(5.0, 6.0, 0.5), ahead(8.0, 0.0, 0.0)))  # fmt: skip
    dates = tuple(date(2026, 7, d) for d in range(12, 17))
    row = lambda *values: np.array(values, dtype=float)  # noqa: E731
    rain = row(1, 2, 3, 4, 5)
    found = zone_course._course(
        zone, dates, 2, row(7, NAN, 8, NAN, NAN), row(6, 7, NAN, 70, 70), row(1, 1, NAN, NAN, NAN), row(0, 3, NAN, NAN,
        NAN),
        rain, row(1, 1.2, 9, 9, 9), row(NAN, 2, NAN, NAN, NAN),
    )  # fmt: skip
    np.testing.assert_equal(found.planned, [NAN, NAN, 9, 5, 8])
    np.testing.assert_equal(found.estimate, [6, 7, 9, NAN, NAN])
    np.testing.assert_equal(found.spread, [1, 1, 2, NAN, NAN])
    np.testing.assert_equal(found.water, [0, 3, 6, 0, NAN])
    np.testing.assert_equal(found.rain, [1, 2, 3, 0.5, 0])
    np.testing.assert_equal(found.ece, [1, 1.2, 1.5, NAN, NAN])
    assert rain.tolist() == [1, 2, 3, 4, 5] and found.dates == dates


def test_probes_speak_for_the_zone_they_stood_in_that_day():
    sites = pd.DataFrame(
        [
            ("a", "G1", None, None),
            ("b", "G1", None, "2026-07-13"),
            ("b", "F1", "2026-07-14", None),
            ("c", "gone", None, None),
        ],
        columns=["probe", "zone", "from", "until"],
    ).astype({"from": "datetime64[ns]", "until": "datetime64[ns]"})
    times = ["2026-07-13T06:00", "2026-07-13T12:00", "2026-07-13T18:00", "2026-07-13T09:00", "2026-07-14T09:00",
    "2026-07-14T23:59",
             "2026-07-15T00:00", "2026-06-29T23:59", "2026-07-14T10:00"]  # fmt: skip
    names, values = list("aaabbaaac"), [0.20, 0.25, 0.21, 0.15, 0.10, NAN, 0.1, 0.1, 0.1]
    probes = pd.DataFrame({"time": pd.to_datetime(times), "probe": names, "moisture": values})
    zones = SimpleNamespace(
        zone=np.array(["G1", "F1"], dtype=object), field_capacity=np.array([0.25, 0.30]), fed_depth=np.array([0.2, 0.1])
    )
    zones = type("Zones", (SimpleNamespace,), {"__len__": lambda self: 2})(**vars(zones))
    site = SimpleNamespace(probes=probes, probe_sites=sites, zones=zones)
    days = pd.date_range("2026-06-30", periods=zone_course.BACK + 3)
    found = zone_course._readings(site, days)
    # The median of a's three is 0.21, 8 mm; b read 20 mm: 14 in the mean.
    rows = [(z, f"{n:%m-%d}", round(d, 9)) for z, n, d in found.itertuples(index=False)]
    assert rows == [("F1", "07-14", 20.0), ("G1", "07-13", 14.0)]
    site.probe_sites = sites.iloc[:0]
    assert zone_course._readings(site, days).empty
    grid = zone_course._grid(found, "depletion", ["F1", "none", "G1"], days)
    assert np.argwhere(~np.isnan(grid)).tolist() == [[0, 14], [2, 13]] and grid[2, 13] == pytest.approx(14.0)


def test_of_laboratory_depths_the_mean_is_shown():
    table = pd.DataFrame({"date": pd.to_datetime(["2026-07-01", "2026-07-01", "2026-06-20", "2026-07-02"]),
    "zone": "G1",
                          "ece": [2.0, 3.0, 9.0, NAN]})  # fmt: skip
    found = zone_course._sampled(SimpleNamespace(samples=table), pd.date_range("2026-06-30", "2026-07-14"))
    assert found[["zone", "ece"]].to_numpy().tolist() == [["G1", 2.5]]


# ------------------------------------------------------------------------------------------------------- the morning


def morning(**given):
    zones = SimpleNamespace(
        zone=np.array(["G1", "G2", "F1", "T1"]), name=np.array(["", "second", "", ""]), area=np.array([500.0, 1000.0,
        2000.0, 100.0]),
        surface=np.array(["green", "green", "fairway", "tee"]),
    )  # fmt: skip
    zones = type("Zones", (SimpleNamespace,), {"__len__": lambda self: 4})(**vars(zones))
    surfaces = {
        "green": SimpleNamespace(priority=1),
        "tee": SimpleNamespace(priority=2),
        "fairway": SimpleNamespace(priority=2),
    }
    plain = {
        "site": SimpleNamespace(name="Links", units="metric", zones=zones, surfaces=surfaces), "night": date(2026, 7,
        14),
        "depth": np.array([4.0, 0.0, 2.5, NAN]), "applied": np.array([10.0, 0.0, 5.0, NAN]),
        "planned": np.array([10.0, NAN, NAN, 0.0]), "measured": np.array([NAN, NAN, NAN, NAN]),
        "before": np.array([9.0, 8.0, 7.0, 6.0]), "silent": np.zeros(4, dtype=bool), "hand": (), "walk": (),
        "flushes": (),
        "weather": (), "notes": (), "verdict": np.array(["fine", "", "", ""], dtype=object),
    }  # fmt: skip
    return SimpleNamespace(**(plain | given))


def stops(*zones):
    return tuple(SimpleNamespace(zones=z) for z in zones)


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({}, "Nothing stands out."), ({"walk": stops(2, 3)}, "5 zones to look at."), ({"walk": stops(1)},
        "1 zone to look at."),
        ({"silent": np.array([True, False, False, False])}, "1 zone did not respond to water."),
        ({"silent": np.ones(4, dtype=bool), "hand": ("a",)},
        "4 zones did not respond to water; 1 spot is drier than its dry limit."),
        ({"hand": ("a", "b"), "walk": stops(9)}, "2 spots are drier than their dry limit."),
    ],
)  # fmt: skip
def test_the_morning_in_one_sentence(given, text):
    assert morning_sheet._status(morning(**given)) == text


def test_the_morning_s_figures_and_tables():
    seen = morning_sheet.morning_sections(morning(walk=stops(*[1] * 12, 4, 5)))
    assert [(f["label"], f["value"]) for f in seen["figures"]] == [
        ("Zones that ran", "2 of 4"), ("Water", "7.0 m³"), ("Did not respond", "0"), ("Spots by hand", "0"),
    ]  # fmt: skip
    assert len(seen["walk"]) == 12 and seen["walk_more"] == 9
    assert [(s["title"], [r["zone"] for r in s["rows"]], s["told"]) for s in seen["surfaces"]] == [
        ("Greens", ["G1"], 1), ("Fairways", ["F1"], 0),
    ]  # fmt: skip
    row = seen["surfaces"][0]["rows"][0]
    assert (row["planned"], row["applied"], row["before"], row["measured"], row["verdict"]) == (
        "10 min", "10 min", "9.0 mm", "–", "fine",
    )  # fmt: skip
    none = morning(applied=np.full(4, NAN), measured=np.array([NAN, 0.0, NAN, 0.0]))
    seen = morning_sheet.morning_sections(none)
    assert [f["label"] for f in seen["figures"]][:2] == ["Zones planned", "Water, if all ran"]
    assert [(s["title"], [r["zone"] for r in s["rows"]]) for s in seen["surfaces"]] == [
        ("Greens", ["G1", "second"]), ("Tees", ["T1"]),
    ]  # fmt: skip


def test_what_a_flush_did_and_what_came_of_the_forecast():
    def flush(reached, lower, depth=0.25):
        return SimpleNamespace(
            zone="G1", probe="a", depth=depth, moisture=(0.2, NAN), ec=(1.0, 2.0), reached=reached, lower=lower
        )

    weather = SimpleNamespace(day=date(2026, 7, 14), eto=(5.0, 6.04), rain=(0.0, None))
    given = morning(
        flushes=(flush(True, True), flush(False, True), flush(None, True), flush(True, False, NAN)), weather=(weather,)
    )
    seen = morning_sheet.morning_sections(given)
    assert [f["reached"] for f in seen["flushes"]] == ["reached", "not reached", "not measured", ""]
    first, last = seen["flushes"][0], seen["flushes"][-1]
    assert (first["depth"], first["moisture"], first["ec"], last["depth"]) == (
        "25 cm",
        "20.0 % to –",
        "1.0 dS/m to 2.0 dS/m",
        "–",
    )
    assert seen["weather"] == [{"day": "Tue 14 Jul", "eto": ["5.0 mm", "6.0 mm"], "rain": ["0.0 mm", "–"]}]

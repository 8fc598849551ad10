"""The salt page from a few zones: who is listed first, what is said of each, and where its lines are drawn."""

import re
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.salinity.records import Course, SaltEvent
from scheduler.sheets import salts

NIGHT = date(2026, 7, 14)
INF = np.inf


def report(mean, days, limit=10.0, drained=True, known=True, origin="probe", **more):
    """Zones A, B, ...: greens, each with a mean ECe and days to its limit; the upper half is 1 dS/m under the mean."""
    count = len(mean)
    full = lambda v: np.broadcast_to(np.asarray(v), (count,)).copy()  # noqa: E731
    mean = np.asarray(mean, dtype=float)
    zones = SimpleNamespace(
        zone=np.array(list("ABCDEF")[:count], dtype=object), name=np.array(["Green 1", *[""] * (count - 1)], object),
        ece_threshold=full(float(limit) if np.isscalar(limit) else limit), drained=full(drained),
        surface=np.array(more.pop("surface", ["green"] * count), object),
    )  # fmt: skip
    state = SimpleNamespace(
        mean=mean, ece=np.stack((mean - 1, mean + 1), axis=1), known=full(known), origin=full(origin).astype(object)
    )
    surfaces = {s: SimpleNamespace(priority=p) for s, p in (("green", 1), ("tee", 2), ("rough", 3))}

    class Zones(SimpleNamespace):
        def __len__(self):
            return count

    site = SimpleNamespace(zones=Zones(**vars(zones)), units="metric", name="Home", surfaces=surfaces)
    usual = {"rise": np.zeros(count), "planned": {}, "events": [], "courses": {}, "leaching": [], "waters": "w",
             "notes": [], "planned_on": None, "first": date(2026, 3, 1), "night": NIGHT}  # fmt: skip
    return SimpleNamespace(site=site, state=state, days=np.asarray(days, dtype=float), **usual | more)


def event(zone=0, kind="flush", nights=(NIGHT,), before=(8.0, 9.0), after=(4.0, 9.5), measured=True, reached=False):
    return SaltEvent(zone, kind, nights, 12.0, before, after, measured, reached)


def test_above_the_limit_the_worst_against_its_own_comes_first_and_then_the_soonest():
    # 12 of 10, 10 of 10 (at it is above it), 9 in 14 days, 9 in 15, 9 in 3, and 30 of 20 that nobody knows.
    given = report(
        [12, 10, 9, 9, 9, 30], [0, 0, 14, 15, 3, 0], limit=[10, 10, 10, 10, 10, 20], known=[1, 1, 1, 1, 1, 0]
    )
    over, soon = salts.urgency(given)
    assert over.tolist() == [0, 1] and soon.tolist() == [4, 2]
    by_share = report([12, 9], [0, 0], limit=[10, 6])
    assert salts.urgency(by_share)[0].tolist() == [1, 0]
    assert salts.status_sentence(given) == "2 zones are above the limit of the turf; 2 pass it within 14 days."
    assert (
        salts.status_sentence(report([12, 9], [0, 14]))
        == "1 zone is above the limit of the turf; 1 passes it within 14 days."
    )
    assert salts.status_sentence(report([9], [15])).startswith(
        "Every zone is within its limit and stays so for 14 days"
    )
    assert salts.status_sentence(report([9], [1], known=False)).startswith("No salinity is followed")


def test_zones_without_drains_are_said_apart_and_never_listed_to_flush():
    given = report([12, 11, 9], [0, 0, 2], drained=[False, True, False], origin=["probe", "probe", "kin"])
    assert salts.flushable(given) == [1]
    words = salts.undrained_words(given)
    assert words.startswith("2 more zones without drains are above or near the limit; 1 of them are not measured")
    assert salts.undrained_words(report([12], [0], drained=False)).startswith(
        "1 more zone without drains is above or near the limit. They cannot be flushed here"
    )
    assert salts.undrained_words(report([12, 9], [0, 20], drained=[True, False])) == ""


@pytest.mark.parametrize(
    ("days", "words"),
    [(INF, "not rising to it"), (366, "over a year"), (365, "365 days"), (0, "above it now"), (-1, "above it now"),
     (0.2, "1 day"), (1.4, "1 day"), (1.6, "2 days")],
)  # fmt: skip
def test_days_to_the_limit_in_words(days, words):
    assert salts.days_words(days) == words


def test_a_zone_in_words_rises_by_the_week():
    given = report([9, 9, 9], [5, 5, 5], drained=[True, True, False])
    given.rise = np.array([0.1, -0.02, 0.007])
    row = salts.zone_row(given, 0)
    assert row["zone"] == "Green 1" and row["ece"].startswith("9.0 of 10") and row["known"] == "probes"
    assert row["words"] == "upper half 8.0, lower half 10.0 dS/m; rises 0.7 dS/m a week"
    assert (
        salts.zone_row(given, 1)["words"].endswith("; falls 0.1 dS/m a week")
        and salts.zone_row(given, 1)["zone"] == "B"
    )
    assert salts.zone_row(given, 2)["words"].endswith("; steady; not drained, so it cannot be flushed")
    given.planned = {2: SimpleNamespace(nights=(NIGHT, date(2026, 7, 15)), drainage=12.0)}
    assert salts.zone_row(given, 2)["words"].endswith(
        "flush planned Tue 14 Jul and Wed 15 Jul, 12.0 mm below the roots"
    )


def test_a_flush_in_words_before_and_after():
    given = report([9, 9], [5, 5])
    row = salts.event_row(given, event(nights=(NIGHT, date(2026, 7, 15))))
    assert row == {
        "zone": "Green 1", "nights": "Flush Tue 14 Jul and Wed 15 Jul", "drained": "12.0 mm",
        "through": "salt did not get below the lower half",
        "words": "upper half 8.0 → 4.0, lower half 9.0 → 9.5 dS/m (probes)",
    }  # fmt: skip
    rain = salts.event_row(given, event(1, "rain", measured=False, reached=True))
    assert (rain["zone"], rain["nights"], rain["through"]) == ("B", "Rain Tue 14 Jul", "salt left the lower half")
    assert rain["words"].endswith("(reckoned)")


def test_the_page_lists_the_newest_event_first_and_counts_flush_nights_once(monkeypatch):
    nights = [date(2026, 7, d) for d in (10, 11, 12)]
    events = [event(nights=tuple(nights[:2])), event(1, nights=(nights[1],)), event(kind="rain", nights=(nights[2],))]
    given = report([12, 9, 9], [0, 10, 20], events=events, surface=["tee", "green", "green"])
    assert salts.flush_nights(given) == 2
    found = salts.salt_sections(given)
    assert [e["nights"] for e in found["events"]] == [
        "Rain Sun 12 Jul",
        "Flush Sat 11 Jul",
        "Flush Fri 10 Jul and Sat 11 Jul",
    ]
    assert [f["value"] for f in found["figures"]] == ["3 of 3", "1", "1", "2"]
    assert [r["zone"] for r in found["urgent"]] == ["Green 1", "B"] and found["urgent_more"] == 0
    assert [(s["title"], s["zones"], [r["zone"] for r in s["rows"]]) for s in found["surfaces"]] == [
        ("Greens", 2, ["B", "C"]), ("Tees", 1, ["Green 1"])
    ]  # fmt: skip
    assert (found["planned_on"], found["since"]) == (None, "Sun 1 Mar")
    monkeypatch.setattr(salts, "URGENT", 1)
    assert salts.salt_sections(given)["urgent_more"] == 1


def test_leaching_of_a_surface_in_words():
    row = SimpleNamespace(surface="green", irrigation=100.0, rain=20.0, drained=12.0, achieved=0.1, required=np.nan)
    found = salts.leaching_row(report([9], [5]), row)
    assert (found["achieved"], found["required"]) == ("10 %", "beyond this water")
    other = SimpleNamespace(**vars(row) | {"achieved": np.nan, "required": 0.12})
    assert salts.leaching_row(report([9], [5]), other)["required"] == "12 %"


def course(last=10, ece=((8.0, 9.0),) * 11, measured=(True, False), samples=()):
    return Course(pd.date_range("2026-07-01", periods=last + 1), np.array(ece), measured, samples)


def test_charts_are_of_measured_sampled_or_drained_zones_the_nearest_to_their_limit_first(monkeypatch):
    drawn = []
    monkeypatch.setattr(
        salts, "salt_chart", lambda course, now, limit, events, units, alt: drawn.append((now, events, alt))
    )
    sampled = course(measured=(False, False), samples=((pd.Timestamp("2026-07-03"), 0, 3.0),))
    courses = {0: course(measured=(False, False)), 1: course(), 2: course(measured=(True, True)), 3: sampled}
    given = report([12, 8, 9, 1], [0] * 4, drained=False, courses=courses, events=[event(2), event(1)])
    found = salts._charts(given)
    assert [d["title"] for d in found["drawn"]] == ["C", "B", "D"] and found["more"] == 0
    assert [d["words"].split(".")[0] for d in found["drawn"]] == [
        "Measured by probes", "One half measured by probes", "Reckoned"
    ]  # fmt: skip
    assert [[e.zone for e in events] for _, events, _ in drawn] == [[2], [1], []]
    assert drawn[0][2] == "C: ECe now 8.0 in the upper and 10.0 dS/m in the lower half; limit of the mean 10.0"
    given.site.zones.drained[0] = True
    assert [d["title"] for d in salts._charts(given)["drawn"]] == ["Green 1", "C", "B", "D"]
    monkeypatch.setattr(salts, "CHARTS", 1)
    assert salts._charts(given)["more"] == 3


def test_a_chart_s_height_holds_its_highest_value_and_its_days_run_from_left_to_right():
    # The limit is 10; its line lies 10 / 10.6 of the way up from 150 to 18. Ten days from x 26 to 354.
    given = course(samples=((pd.Timestamp("2026-07-06"), 1, 5.0),))
    text = str(
        salts.salt_chart(given, np.array([8.0, 9.0]), 10.0, [event(nights=(date(2026, 7, 11),))], "metric", "alt")
    )
    high = 150 - 132 * 10.0 / 10.6
    assert f'y1="{high:.1f}"' in text
    circles = [float(y) for y in re.findall(r'<circle cx="354" cy="([\d.]+)"', text)]
    np.testing.assert_allclose(circles, [150 - 132 * v / 10.6 for v in (8.0, 9.0)], atol=0.06)
    assert f'<rect x="{190 - 3.5:.1f}" y="{150 - 132 * 5 / 10.6 - 3.5:.1f}"' in text  # half of the days
    assert "flush" in text and 'x1="354.0"' in text
    salty = str(
        salts.salt_chart(
            course(samples=((pd.Timestamp("2026-07-06"), 1, 50.0),)), np.array([8.0, 9.0]), 10.0, [], "metric", ""
        )
    )
    assert f'y1="{150 - 132 * 10 / 53:.1f}"' in salty  # a sample is held, too

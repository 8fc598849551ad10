import copy
import re
from html.parser import HTMLParser

import pytest

from scheduler import edge
from scheduler.document.reading import document_of
from scheduler.sheets.first_screen import day_crew
from scheduler.sheets.keying import keying_sheet, write_keying_sheet
from scheduler.sheets.night import night_sheet, write_night_sheet
from tests.scheduler.sample_plan import sample_plan

VOID = {"meta", "br", "img", "link", "input", "hr"}


class Page(HTMLParser):
    """Text, tags and attributes of a page; fails when tags do not nest."""

    def __init__(self, html):
        super().__init__()
        self.open, self.text, self.tags, self.values = [], [], [], []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.values += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.values += attrs

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not {"style", "script"} & set(self.open):
            self.text.append(data)

    @property
    def words(self):
        return re.sub(r"\s+", " ", " ".join(self.text))


@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_numbers_of_the_plan_are_on_the_page(units):
    plan = sample_plan(units)
    page = Page(night_sheet(document_of(plan)))
    tonight = plan["nights"][0]
    for words in (
        plan["site"]["name"],
        edge.format_volume(tonight["volume_m3"], units),
        edge.format_duration(tonight["minutes"]),
        edge.format_energy(tonight["energy_kwh"]),
        edge.format_money(tonight["cost"], "USD"),
        f"{tonight['zones_running']} of 150 zones run tonight",
        plan["inputs"]["step_downs"][0]["what"],
        plan["give_way"][0]["words"],
        tonight["limits"][0]["words"],
        plan["flushes"][0]["words"],
        plan["advice"][0]["words"],
        plan["actions"][0]["what"],
        "by 10:00 pm tonight" if units == "us" else "by 22:00 tonight",
        "club cup",
        "Every run lies within the hours allowed",
        "no watering allowed",
        "Cross-connection",
        "The manager decides",
        "closed course",
    ):
        assert words in page.words, words
    assert tonight["limits"][1]["words"] not in page.words  # a limit that does not bind is not news
    for zone in plan["zones"]:  # every zone is there, running or not
        assert zone["name"] in page.words
    squares = [v for k, v in page.values if k == "aria-label" and ": now " in v]
    assert len(squares) == len(plan["zones"])
    for warning in plan["warnings"]:
        assert warning["text"] in page.words
    crew = bool(day_crew(document_of(plan)))
    assert page.tags.count("details") == len({z["surface"] for z in plan["zones"]}) + crew
    rows = night_sheet(document_of(plan)).split("<tr>")
    for zone in plan["zones"]:
        own = [r for r in rows if f"<td>{zone['name']}</td>" in r and f"{zone['controller']} · {zone['station']}<" in r]
        assert len(own) == (zone["minutes"] > 0)
        if own:
            assert f">{edge.format_duration(zone['minutes'])}<" in own[0]
            assert f">{edge.format_depth(zone['depth_mm'], units)}<" in own[0]


def test_units_are_never_mixed():
    assert not re.search(r"\d (mm|m³|L/s)\b", Page(night_sheet(document_of(sample_plan("us")))).words)
    assert not re.search(
        r"\d (in|gal|gal/min|acre-ft)\b(?! \d+ cycles)", Page(night_sheet(document_of(sample_plan("metric")))).words
    )


@pytest.mark.parametrize("make", [night_sheet, keying_sheet])
def test_nothing_comes_from_outside(make):
    html = make(document_of(sample_plan()))
    page = Page(html)
    assert not re.search(r"https?:|//[a-z]|@import|url\((?!#)", html)
    assert not {"link", "img", "iframe", "object", "embed", "base", "form"} & set(page.tags)
    assert not [v for v in page.values if v[0] in ("src", "href", "action")]


@pytest.mark.parametrize("make", [night_sheet, keying_sheet])
def test_names_cannot_break_the_page(make):
    plan = copy.deepcopy(sample_plan(zones=12, running=1.0))
    nasty = "<b>\"'&</td><script>alert(1)</script>"
    plan["site"]["name"] = nasty
    for zone in plan["zones"]:
        zone.update(name=nasty, controller=nasty, reason=nasty, pump=nasty)
    plan["pumps"][0]["name"] = nasty
    plan["flow"] = [{"minute": f["minute"], "pumps": {nasty: f["pumps"]["lake"]}} for f in plan["flow"]]
    plan["warnings"].append({"kind": "other", "subject": nasty, "text": nasty})
    plan["inputs"]["weather"]["routes"] = {nasty: 3}
    plan["nights"][0]["limits"][0]["words"] = nasty
    before = Page(make(document_of(sample_plan(zones=12, running=1.0))))
    page = Page(make(document_of(plan)))
    assert page.tags.count("script") == before.tags.count("script")
    assert nasty in page.words
    assert "<script>alert" not in make(document_of(plan))


def test_the_other_states_of_a_night():
    plan = copy.deepcopy(sample_plan(running=0.0))
    plan["flow"], plan["allocation"], plan["flushes"], plan["advice"] = [], None, [], []
    told = "No zone has room for a run tonight: nothing runs. Some will need water by hand tomorrow."
    assert told in Page(night_sheet(document_of(plan))).words
    for zone in plan["zones"]:
        zone["after"]["depletion_mm"] = 0.0
    assert "No zone needs water tonight: nothing runs." in Page(night_sheet(document_of(plan))).words
    plan["status"] = "no watering allowed"
    words = Page(night_sheet(document_of(plan))).words
    assert "No watering is allowed tonight: nothing runs. The next allowed night is Wed Jul 15." in words
    assert "Pump flow" not in words and "Season's water" not in words


def test_a_quiet_night_says_so_and_a_late_finish_shouts():
    plan = copy.deepcopy(sample_plan())
    plan["warnings"], plan["give_way"], plan["inputs"]["step_downs"], plan["actions"] = [], [], [], []
    plan["nights"][0]["limits"][0]["binds"] = False
    plan["nights"][0]["window"] = [{"start": "2026-07-14T22:00:00", "end": "2026-07-14T23:00:00"}]
    words = Page(night_sheet(document_of(plan))).words
    assert "What to do Nothing. Safe and legal: NOT SAFE" in words
    assert "AFTER the window closes: do not run this plan." in words


def test_pump_hours_by_hand():
    # 22:00 to 22:30 at 10 L/s, nothing until 23:00, one more minute at 5 L/s: 31 minutes of delivery
    plan = copy.deepcopy(sample_plan())
    steps = [(1320, 10.0), (1350, 0.0), (1380, 5.0)]
    plan["flow"] = [{"minute": m, "pumps": {"lake": q}} for m, q in steps]
    words = Page(night_sheet(document_of(plan))).words
    assert "Pump hours 31 min" in words
    assert "Highest 159 gal/min at 10:00 pm, 16 % of capacity; delivers for 31 min." in words  # 10 L/s = 158.5; 10 / 62


LARGE = pytest.param(2400, 6_000_000, marks=pytest.mark.sweep)


@pytest.mark.parametrize(("zones", "largest"), [(150, 1_000_000), LARGE])
def test_a_large_site_stays_a_small_page(zones, largest):
    html = night_sheet(document_of(sample_plan(zones=zones, running=1.0)))
    assert len(html.encode()) < largest


def test_the_keying_sheet_lists_every_station_in_natural_order(tmp_path):
    plan = sample_plan()
    html = write_keying_sheet(document_of(plan), tmp_path / "keying.html").read_text(encoding="utf-8")
    Page(html)
    shown = re.findall(r'<td class="station">(.*?)</td><td>(.*?)(?:<small>|</td>).*?<td class="time">(.*?)</td>', html)
    expected = sorted(plan["zones"], key=lambda z: (z["controller"], int(z["station"])))
    wanted = [
        (z["station"], z["name"], edge.format_duration(z["minutes"]) if z["minutes"] else "off") for z in expected
    ]
    assert shown == wanted


def test_a_failing_sheet_leaves_the_old_one(tmp_path):
    (tmp_path / "night.html").write_text("yesterday")
    plan = copy.deepcopy(sample_plan())
    plan["surfaces"][0]["surface"] = "pitch"  # without a zone of it
    plan["zones"][0]["path"] = []
    document = document_of(plan).model_copy(update={"site": None})
    with pytest.raises(AttributeError):
        write_night_sheet(document, tmp_path / "night.html")
    assert (tmp_path / "night.html").read_text() == "yesterday"

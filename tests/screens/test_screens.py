"""The pages as a phone, a screen and a printer show them, in headless Chromium."""

import itertools
import shutil
from datetime import date, datetime
from pathlib import Path

import pytest

from scheduler.evening import plan_tonight, publish
from scheduler.ledger.keeping import Kept
from scheduler.morning.report import morning_report
from scheduler.nights import out_folder
from scheduler.salinity.report import salt_report
from scheduler.sheets.keying import write_keying_sheet
from scheduler.sheets.morning import write_morning_page
from scheduler.sheets.night import write_night_sheet
from scheduler.sheets.salts import write_salt_page
from scheduler.site import load_site
from scheduler.whatif.page import page as whatif_page
from tests.drawn import draws, some
from tests.scheduler.sample_plan import sample_document
from tests.scheduler.whatif.sample import sample_whatif
from tests.sites import make_site

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
AXE = Path(__file__).with_name("axe.min.js")
NIGHT = date(2026, 7, 14)
WIDTHS = (320, 390, 1280)
PAGES = ("night.html", "night-us.html", "keypad.html", "morning.html", "salts.html", "zones.html", "season-ahead.html")
WHATIFS = ("one-order.html", "five-orders.html", "season-ahead.html")  # each on one sheet, whatever is asked
MOST_PAGES = {"night.html": 3, "night-us.html": 3, "keypad.html": 4, "salts.html": 5}  # A4, of 150 zones (salts: 24)
DARK = [(name, "dark") for name in some(PAGES, 1)]
ZONES = draws(150, 20)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Write every page: sheets of 150 zones, and the pages of the day after of a made site."""
    place = tmp_path_factory.mktemp("pages")
    write_night_sheet(sample_document(units="metric", zones=ZONES), place / "night.html")
    write_night_sheet(sample_document(units="us", running=0.9, places=True, zones=ZONES), place / "night-us.html")
    write_keying_sheet(sample_document(units="us", zones=ZONES), place / "keypad.html")
    site = load_site(make_site(place / "site", zones=draws(24, 8), nights=draws(3, 2), season_days=20, probe_days=6))
    document = plan_tonight(site, NIGHT, datetime(2026, 7, 14, 18, tzinfo=site.time_zone))
    publish(site, document, out_folder(site, NIGHT))
    shutil.copy(out_folder(site, NIGHT) / "zones.html", place)
    write_morning_page(morning_report(Kept(site, None, None), date(2026, 7, 13)), place / "morning.html")
    write_salt_page(salt_report(site, NIGHT), place / "salts.html")
    asked = sample_whatif(1), sample_whatif(5), sample_whatif(1, season=True, sweep=True)
    for name, document in zip(WHATIFS, asked, strict=True):
        (place / name).write_text(whatif_page(document), encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def window():
    """One page of a browser for all tests; a page of its own for each would be a process of its own."""
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as play:
        few = ["--no-sandbox", "--disable-gpu", "--renderer-process-limit=1"]
        started = play.chromium.launch(executable_path=CHROMIUM, args=few)
        page = started.new_page()
        page.on("request", lambda r: page.asked.append(r.url))
        page.on("console", lambda m: page.said.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: page.said.append(str(e)))
        yield page
        started.close()


@pytest.fixture
def opened(window):
    """Open a page; what it asked for from elsewhere and what it complained of are its `asked` and `said`."""

    def open_page(path, width=390, scheme="light"):
        window.asked, window.said = [], []
        window.set_viewport_size({"width": width, "height": 800})
        window.emulate_media(color_scheme=scheme)
        window.goto(path.as_uri())
        return window

    return open_page


@pytest.mark.drawn
@pytest.mark.parametrize("name", some(PAGES, 3))
def test_a_page_asks_for_nothing_complains_of_nothing_and_fits_every_width(folder, opened, name):
    page = opened(folder / name)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.scrollingElement.scrollWidth") <= width
    assert page.asked == [(folder / name).as_uri()] and page.said == []


@pytest.mark.drawn
@pytest.mark.parametrize(("name", "scheme"), [*itertools.product(some(PAGES[::-1], 1), ["light"]), *DARK])
def test_a_page_is_readable_by_everyone(folder, opened, name, scheme):
    page = opened(folder / name, scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.add_script_tag(path=AXE)
    found = page.evaluate("axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21aa']})")
    assert [(v["id"], v["nodes"][0]["html"][:200]) for v in found["violations"]] == []


@pytest.mark.drawn
@pytest.mark.parametrize("name", some(list(MOST_PAGES), 1))
def test_a_page_is_printed_on_few_sheets(folder, opened, name, tmp_path):
    pypdf = pytest.importorskip("pypdf")
    page = opened(folder / name, width=1280)
    page.pdf(path=tmp_path / "page.pdf", prefer_css_page_size=True)
    paper = pypdf.PdfReader(tmp_path / "page.pdf")
    assert len(paper.pages) <= MOST_PAGES[name]
    if name.startswith("night"):  # what is folded on the screen is open on paper
        words = " ".join(p.extract_text() for p in paper.pages)
        assert sum(f"{s.capitalize()} " in words for s in ("green", "tee", "fairway", "approach", "rough")) == 5
        assert "house 1" in words


@pytest.mark.parametrize("name", WHATIFS)
def test_what_a_committee_is_given_is_one_sheet(folder, opened, name, tmp_path):
    pypdf = pytest.importorskip("pypdf")
    page = opened(folder / name, width=1280)
    for size in ("A4", "Letter"):
        page.pdf(path=tmp_path / "page.pdf", format=size)
        paper = pypdf.PdfReader(tmp_path / "page.pdf")
        assert len(paper.pages) == 1, size
    words = paper.pages[0].extract_text()
    assert "A dry zone-day is" in words and "the manager decides" in words


@pytest.mark.sweep
@pytest.mark.parametrize("name", ["morning.html", "night.html"])
def test_every_fold_opens_by_keyboard(folder, opened, name):
    page = opened(folder / name)
    folds = page.locator("summary").count()
    reached = set()
    for _ in range(folds * 3 + 20):
        page.keyboard.press("Tab")
        at = page.evaluate("[...document.querySelectorAll('summary')].indexOf(document.activeElement)")
        if at >= 0 and at not in reached:
            reached.add(at)
            before = page.evaluate("document.activeElement.parentElement.open")
            page.keyboard.press("Enter")
            assert page.evaluate("document.activeElement.parentElement.open") is not before
        if len(reached) == folds:
            break
    assert reached == set(range(folds))

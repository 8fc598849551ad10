"""Site folders made for tests: read without a problem in every shape, and sized as they say."""

import pytest

from scheduler.site import load_site
from tests.sites import SiteOptions, make_site, window_minutes


@pytest.mark.parametrize(
    "options",
    [
        {"zones": 1},
        {"zones": 2, "decimal_comma": True, "nights_allowed": ("Monday", "Friday")},
        {"zones": 150, "units": "us", "allocation_left": 0.6, "allocation_tier": (1.0, 2.0), "members": 3},
        {"zones": 150, "units": "us", "decimal_comma": True, "storm": 20.0},
        {"zones": 40, "forecast": False, "probes": False, "applied": False, "weather": False},
        {"zones": 700, "pump_factor": 0.5},
    ],
    ids=lambda options: "-".join(str(value) for value in options.values()),
)
def test_made_site_is_read_without_warnings(tmp_path, options):
    site = load_site(make_site(tmp_path, **options))
    assert len(site.zones.zone) == options["zones"]
    missing = {"forecast.csv", "weather.csv", "probes.csv", "applied.csv"}
    told = [note for note in site.notes if note.kind == "warning" and note.subject not in missing]
    assert told == []


def test_same_seed_same_bytes(tmp_path):
    first, second = make_site(tmp_path / "a", zones=12, seed=3), make_site(tmp_path / "b", zones=12, seed=3)
    for path in first.iterdir():
        assert path.read_bytes() == (second / path.name).read_bytes()
    other = make_site(tmp_path / "c", zones=12, seed=4)
    assert (first / "zones.csv").read_bytes() != (other / "zones.csv").read_bytes()


def test_pumps_are_sized_by_load(tmp_path):
    half, full = (load_site(make_site(tmp_path / str(load), zones=200, load=load)) for load in (0.5, 1.0))
    assert sum(p.capacity for p in half.pumps) == pytest.approx(2 * sum(p.capacity for p in full.pumps), abs=0.02)
    assert window_minutes(SiteOptions()) == 480


def test_us_and_metric_sites_are_the_same_site(tmp_path):
    metric = load_site(make_site(tmp_path / "metric", zones=30)).zones
    us = load_site(make_site(tmp_path / "us", zones=30, units="us")).zones
    assert us.area == pytest.approx(metric.area, abs=0.05 * 0.3048**2)  # areas are written with one decimal of ft2
    assert us.flow == pytest.approx(metric.flow, abs=0.0005 * 0.0631)  # flows with three decimals of gal/min


def test_unknown_option_is_refused(tmp_path):
    with pytest.raises(TypeError, match="colour"):
        make_site(tmp_path, zones=1, colour="red")
    with pytest.raises(ValueError, match="units"):
        make_site(tmp_path, zones=1, units="imperial")

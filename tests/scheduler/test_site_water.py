"""How water reaches the ground of a site: lower half or lower quarter by surface, runoff by hydrologic group."""

import numpy as np
import pandas as pd
import pytest

from scheduler.state.demand import zone_rain
from scheduler.supply import net_rates
from tests.scheduler.site_folders import TOML, lines, site

ZONES = (
    "zone,surface,soil,area,flow,du_lq,{}\nG1,green,sand_rootzone,450,1.5,0.7,{}\nF1,fairway,clay_loam,2000,6,0.7,{}\n"
)
RAIN = pd.DataFrame({"date": [pd.Timestamp("2026-07-14")], "rain": [60.0]})


def test_a_surface_chooses_lower_half_or_lower_quarter(tmp_path):
    # 1.5 L/s on 450 m2 is 12 mm/h, 0.2 mm/min; DU_LQ 0.7: lower half 0.4 + 0.6 * 0.7 = 0.82, lower quarter 0.7
    zones = ZONES.format("", "", "")
    np.testing.assert_allclose(net_rates(site(tmp_path, TOML, zones)), [0.2 * 0.82, 0.18 * 0.82])
    quarter = TOML + '[surface.green]\nuniformity = "lower_quarter"\n'
    np.testing.assert_allclose(net_rates(site(tmp_path, quarter, zones)), [0.2 * 0.7, 0.18 * 0.82])
    [fault] = lines(tmp_path, TOML + '[surface.green]\nuniformity = "quarter"\n', zones)
    assert 'key "surface.green.uniformity": read "quarter"' in fault
    assert "lower_half" in fault and "lower_quarter" in fault


def test_runoff_follows_the_texture_unless_a_better_group_is_given(tmp_path):
    # TR-55: 60 mm on clay loam (group D, CN 80) sheds 20.2 mm, on a group B soil (CN 61) 4.0 mm, on A nothing.
    plain = site(tmp_path, TOML, ZONES.format("", "", ""))
    assert zone_rain(plain, RAIN)[1][:, 0].round(1).tolist() == [0.0, 20.2]
    cored = site(tmp_path, TOML, ZONES.format("hydrologic_group", "", "B"))
    assert zone_rain(cored, RAIN)[1][:, 0].round(1).tolist() == [0.0, 4.0]
    [fault] = lines(tmp_path, TOML, ZONES.format("hydrologic_group", "", "E"))
    assert 'line 3, column "hydrologic_group": read "E"' in fault


@pytest.mark.parametrize(("given", "noted"), [("", True), ("C", False)])
def test_a_drained_clay_is_told_how_to_say_that_it_takes_rain(tmp_path, given, noted):
    zones = ZONES.format("drained,hydrologic_group", "yes,", f"yes,{given}")
    notes = [n.text for n in site(tmp_path, TOML, zones).notes]
    assert any("give a better hydrologic_group" in n for n in notes) == noted


def test_an_agencys_class_of_area_is_as_written_or_by_surface(tmp_path):
    zones = (
        "zone,surface,area,flow,class\nG1,green,450,1.5,special\nF1,fairway,2000,6,\nL1,landscape,300,1,\n"
        "L2,landscape,300,1,turf\n"
    )
    assert site(tmp_path, TOML, zones).zones.area_class.tolist() == ["special", "turf", "landscape", "turf"]
    [fault] = lines(tmp_path, TOML, zones.replace("special", "sepcial"))
    assert 'line 2, column "class": read "sepcial"' in fault and 'did you mean "special"' in fault

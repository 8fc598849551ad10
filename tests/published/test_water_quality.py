"""Water quality grades against FAO-29 Table 1 and the residual carbonate classes; marks beside the numbers."""

import math

import pytest

from models import water_quality as wq

NONE, SLIGHT, SEVERE = wq.GRADES

# FAO-29 rev. 1 Table 1, infiltration: (SAR inside the class, ECw none above, ECw severe below). Mark: memory.
INFILTRATION = [(1.5, 0.7, 0.2), (4.5, 1.2, 0.3), (9.0, 1.9, 0.5), (15.0, 2.9, 1.3), (30.0, 5.0, 2.9)]


@pytest.mark.parametrize(("sar", "harmless_above", "severe_below"), INFILTRATION)
def test_infiltration_classes(sar, harmless_above, severe_below):
    assert wq.infiltration_grade(sar, harmless_above + 0.01) == NONE
    assert wq.infiltration_grade(sar, harmless_above) == SLIGHT
    assert wq.infiltration_grade(sar, severe_below) == SLIGHT
    assert wq.infiltration_grade(sar, severe_below - 0.01) == SEVERE


def test_limits_between_classes_take_the_higher_class():
    assert wq.infiltration_grade(2.99, 1.0) == NONE
    assert wq.infiltration_grade(3.0, 1.0) == SLIGHT


def test_beyond_the_table_is_severe_and_said():
    assert wq.infiltration_grade(40.0, 6.0) == NONE  # the table's last class ends at 40
    assert wq.infiltration_grade(41.0, 6.0) == SEVERE
    advice = {a.subject: a for a in wq.water_advice(wq.WaterAnalysis(ec=6.0, sar=41.0))}
    assert "beyond the table" in advice["infiltration"].text


def test_the_same_sodium_harms_more_in_purer_water():
    order = [wq.GRADES.index(wq.infiltration_grade(8.0, ec)) for ec in (0.2, 0.5, 1.0, 1.9, 2.5)]
    assert order == sorted(order, reverse=True)
    assert len(set(order)) == 3


@pytest.mark.parametrize(
    ("ec", "grade"),
    # FAO-29 Table 1, salinity: none < 0.7, slight to moderate 0.7 - 3.0, severe > 3.0 dS/m. Mark: memory.
    [(0.69, NONE), (0.7, SLIGHT), (3.0, SLIGHT), (3.01, SEVERE)],
)
def test_salinity_classes(ec, grade):
    assert wq.salinity_grade(ec) == grade


def test_sodium_adsorption_ratio():
    # Definition (FAO-29 ch. 3, Handbook 60): Na / sqrt((Ca + Mg) / 2). 7.73 / sqrt((2.32 + 1.44) / 2) = 5.638.
    # Mark: computed.
    assert wq.sodium_adsorption_ratio(7.73, 2.32, 1.44) == pytest.approx(5.638, abs=0.0005)


@pytest.mark.parametrize(
    ("rsc", "grade"),
    # Wilcox (1955): safe below 1.25, marginal 1.25 - 2.5, unsuitable above 2.5 me/L. Mark: memory.
    [(-3.0, NONE), (1.24, NONE), (1.25, SLIGHT), (2.5, SLIGHT), (2.51, SEVERE)],
)
def test_residual_carbonate_classes(rsc, grade):
    assert wq.residual_carbonate_grade(rsc) == grade


def test_residual_sodium_carbonate():
    assert wq.residual_sodium_carbonate(bicarbonate=6.0, carbonate=0.5, calcium=2.0, magnesium=1.5) == pytest.approx(
        3.0
    )


def test_advice_covers_what_was_analysed_and_only_that():
    alone = wq.water_advice(wq.WaterAnalysis(ec=1.4))
    assert [a.subject for a in alone] == ["salinity"]
    water = wq.WaterAnalysis(ec=1.4, sodium=9.0, calcium=2.0, magnesium=2.0, bicarbonate=9.0, chloride=2.0)
    grades = {a.subject: a.grade for a in wq.water_advice(water)}
    # SAR 9 / sqrt(2) = 6.36 at 1.4 dS/m; RSC 5; HCO3 9 above 8.5; Na 9, Cl 2 against 3 me/L (FAO-29 Table 1, memory).
    assert grades == {
        "salinity": SLIGHT,
        "infiltration": SLIGHT,
        "residual sodium carbonate": SEVERE,
        "bicarbonate": SEVERE,
        "sodium on leaves": SLIGHT,
        "chloride on leaves": NONE,
    }


def test_each_grade_has_its_own_words_and_what_follows_from_it():
    grades = {0.5: (NONE, "no concern"), 1.5: (SLIGHT, "leach before"), 3.5: (SEVERE, "blend it")}
    for ec, (grade, words) in grades.items():
        (found,) = wq.water_advice(wq.WaterAnalysis(ec=ec))
        assert found.grade == grade and words in found.text and f"{ec:.2f} dS/m" in found.text


@pytest.mark.parametrize(
    ("value", "grades"),
    [  # FAO-29 Table 1: HCO3 1.5 and 8.5, Na and Cl 3 me/L by sprinkler. Mark: memory. RSC by hand: HCO3 - 1
        (
            1.0,
            {
                "bicarbonate": NONE,
                "residual sodium carbonate": NONE,
                "sodium on leaves": NONE,
                "chloride on leaves": NONE,
            },
        ),
        (2.5, {"bicarbonate": SLIGHT, "residual sodium carbonate": SLIGHT, "sodium on leaves": NONE}),
        (3.0, {"bicarbonate": SLIGHT, "sodium on leaves": SLIGHT, "chloride on leaves": SLIGHT}),
        (9.0, {"bicarbonate": SEVERE, "residual sodium carbonate": SEVERE, "sodium on leaves": SLIGHT}),
    ],
)
def test_ions_on_both_sides_of_their_limits(value, grades):
    water = wq.WaterAnalysis(
        ec=1.0, bicarbonate=value, carbonate=0.0, calcium=0.4, magnesium=0.6, sodium=value, chloride=value
    )
    found = {a.subject: a for a in wq.water_advice(water)}
    assert {name: found[name].grade for name in grades} == grades
    assert "not given" not in found["residual sodium carbonate"].text
    words = {NONE: "no white", SLIGHT: "some white", SEVERE: "scale in nozzles"}
    assert words[found["bicarbonate"].grade] in found["bicarbonate"].text
    assert ("not at risk" in found["sodium on leaves"].text) is (value < 3)


def test_sar_as_analysed_goes_before_that_of_the_ions():
    ions = {"sodium": 9.0, "calcium": 2.0, "magnesium": 2.0}
    text = [a.text for a in wq.water_advice(wq.WaterAnalysis(ec=1.4, sar=2.0, **ions)) if a.subject == "infiltration"]
    assert text[0].startswith("SAR 2.0") and "beyond the table" not in text[0]
    for sar, beyond in ((40.0, False), (40.1, True)):
        (found,) = [a for a in wq.water_advice(wq.WaterAnalysis(ec=6.0, sar=sar)) if a.subject == "infiltration"]
        assert ("beyond the table" in found.text) is beyond and ("seal" in found.text) is beyond
    for missing in ({"calcium": 0.0, "magnesium": 0.0, "sodium": 1.0}, {"calcium": 1.0, "magnesium": 1.0}):
        assert "infiltration" not in [a.subject for a in wq.water_advice(wq.WaterAnalysis(ec=1.0, **missing))]
    for one in (
        {"calcium": 4.0, "magnesium": 0.0},
        {"calcium": 0.0, "magnesium": 4.0},
    ):  # of either alone, 20 / sqrt(2)
        (found,) = [
            a for a in wq.water_advice(wq.WaterAnalysis(ec=1.0, sodium=20.0, **one)) if a.subject == "infiltration"
        ]
        assert found.text.startswith("SAR 14.1")


@pytest.mark.parametrize("name", ["sodium", "calcium", "magnesium", "bicarbonate", "carbonate", "chloride"])
def test_no_ion_is_below_nothing(name):
    with pytest.raises(ValueError, match=name):
        wq.WaterAnalysis(ec=1.0, **{name: -0.1})
    assert getattr(wq.WaterAnalysis(ec=0.0, **{name: 0.0}), name) == 0.0
    if name in ("sodium", "calcium", "magnesium"):
        with pytest.raises(ValueError, match="me/L"):
            wq.sodium_adsorption_ratio(**({"sodium": 1.0, "calcium": 1.0, "magnesium": 1.0} | {name: -0.1}))
    if name not in ("sodium", "chloride"):
        ions = {"bicarbonate": 1.0, "carbonate": 1.0, "calcium": 1.0, "magnesium": 1.0} | {name: -0.1}
        with pytest.raises(ValueError, match="me/L"):
            wq.residual_sodium_carbonate(**ions)


def test_grades_of_nothing_and_of_what_is_below_it():
    assert wq.salinity_grade(0.0) == NONE and wq.infiltration_grade(0.0, 0.0) == SEVERE
    assert wq.residual_sodium_carbonate(0.0, 0.0, 0.0, 0.0) == 0.0 and wq.sodium_adsorption_ratio(0.0, 0.0, 2.0) == 0.0
    for call in (
        lambda: wq.salinity_grade(-0.1),
        lambda: wq.infiltration_grade(-1.0, 1.0),
        lambda: wq.infiltration_grade(1.0, -1.0),
    ):
        with pytest.raises(ValueError, match="must be 0"):
            call()


def test_carbonate_not_given_is_said():
    water = wq.WaterAnalysis(ec=1.0, calcium=2.0, magnesium=2.0, bicarbonate=3.0)
    text = next(a.text for a in wq.water_advice(water) if a.subject == "residual sodium carbonate")
    assert "Carbonate was not given" in text and "-1.00 me/L" in text  # 3 less 4: it counts as none


@pytest.mark.parametrize("values", [{"ec": -0.1}, {"ec": math.nan}, {"ec": 1.0, "sar": -1.0}])
def test_analysis_refuses_impossible_values(values):
    with pytest.raises(ValueError, match="must be 0"):
        wq.WaterAnalysis(**values)


def test_grades_refuse_missing_values():
    with pytest.raises(ValueError, match="sar, ec"):
        wq.infiltration_grade(math.nan, 1.0)
    with pytest.raises(ValueError, match="rsc"):
        wq.residual_carbonate_grade(math.nan)
    with pytest.raises(ValueError, match="calcium"):
        wq.sodium_adsorption_ratio(1.0, 0.0, 0.0)

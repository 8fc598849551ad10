"""The picture of `bench_value`: water against stress, one panel a climate, drawn from its file.

python -m tests.bench.draw_value [--from tests/bench/value.csv] [--to tests/bench/value.svg]

Methods are told apart by shape and dash beside colour (Okabe and Ito, 2008), so that it reads in black and white too.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import altair as alt
import pandas as pd

from tests.bench.bench_value import RESULTS

# name in the file: name in the picture, colour, shape, dash; in order of the legend
METHODS = {
    "several weathers": ("evenfall", "#0072b2", "circle", [1, 0]),
    "one weather": ("evenfall, expected weather alone", "#56b4e9", "square", [6, 3]),
    "perfect forecast": ("evenfall, perfect forecast", "#009e73", "triangle-up", [2, 2]),
    "full ET": ("ET of the day before", "#d55e00", "cross", [8, 3, 2, 3]),
    "full ET over DU": ("the same over 0.4 + 0.6 DU", "#a6611a", "diamond", [4, 4]),
    "probe trigger": ("probes, refill below a share of TAW", "#cc79a7", "triangle-down", [1, 3]),
    "greedy that knows": ("a rule that knows soil and weather", "#000000", "triangle-right", [10, 4]),
}
CLIMATES = {"humid": "Humid summer", "dry": "Dry summer, water of 1.4 dS/m"}
SMALLEST = 0.1  # [%] of zone-days drawn for none at all
TICKS = [0.1, 0.3, 1, 3, 10, 30, 100]


def points(table: pd.DataFrame) -> pd.DataFrame:
    """One row a climate, method and setting that every seed has: mean water [mm] and zone-days under 0.9 [%]."""
    whole = table.groupby("climate")["seed"].nunique()
    table = table.assign(stress=100.0 * table["under_0.9"] / table["zone_days"])
    found = table.groupby(["climate", "method", "setting"], as_index=False).agg(
        water=("water_mm", "mean"), stress=("stress", "mean"), seeds=("seed", "nunique")
    )
    found = found[found["seeds"] == found["climate"].map(whole)]
    return found.assign(
        name=found["method"].map({k: v[0] for k, v in METHODS.items()}),
        stress=found["stress"].clip(lower=SMALLEST),
        panel=found["climate"].map(CLIMATES),
    ).sort_values(["panel", "method", "water"])


def drawn(found: pd.DataFrame) -> alt.Chart:
    """Water by stress, both panels, one legend below."""
    known = [v for k, v in METHODS.items() if k in set(found["method"])]
    names = [v[0] for v in known]

    def scale(place: int) -> alt.Scale:
        return alt.Scale(domain=names, range=[v[place] for v in known])

    legend = alt.Legend(title=None, orient="bottom", columns=2, labelLimit=300, symbolSize=90, symbolStrokeWidth=2)
    base = alt.Chart(found).encode(
        x=alt.X("water:Q", title="water [mm]", scale=alt.Scale(zero=False, nice=True, padding=12)),
        y=alt.Y(
            "stress:Q",
            title="zone-days under 0.9 of what turf wants [%]",
            scale=alt.Scale(type="log", domain=[SMALLEST * 0.8, 100.0]),
            axis=alt.Axis(values=TICKS, labelExpr="datum.value <= 0.1 ? '0.1 or less' : datum.label"),
        ),
        color=alt.Color("name:N", scale=scale(1), sort=names, legend=legend),
    )
    line = base.mark_line(strokeWidth=2).encode(
        order="water:Q", strokeDash=alt.StrokeDash("name:N", scale=scale(3), sort=names, legend=None)
    )
    mark = base.mark_point(size=80, filled=True, opacity=1.0).encode(
        shape=alt.Shape("name:N", scale=scale(2), sort=names, legend=legend)
    )
    panels = [
        alt.layer(line, mark)
        .transform_filter(alt.datum.panel == panel)
        .properties(width=330, height=300, title=alt.TitleParams(panel, anchor="start"))
        for panel in CLIMATES.values()
        if panel in set(found["panel"])
    ]
    return (
        alt.hconcat(*panels, spacing=36)
        .configure(background="white", font="sans-serif")
        .configure_view(stroke="#999999")
        .configure_axis(gridColor="#e6e6e6", labelFontSize=12, titleFontSize=12)
        .configure_legend(labelFontSize=12, symbolFillColor="transparent")
        .configure_title(fontSize=14)
    )


def main() -> None:
    """Draw the file's picture."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--from", dest="source", type=Path, default=RESULTS)
    parser.add_argument("--to", type=Path, default=RESULTS.with_suffix(".svg"))
    args = parser.parse_args()
    found = points(pd.read_csv(args.source))
    drawn(found).save(args.to)
    print(found[["panel", "name", "setting", "water", "stress"]].round(2).to_string(index=False))  # noqa: T201


if __name__ == "__main__":
    main()

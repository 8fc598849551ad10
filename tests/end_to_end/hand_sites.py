"""Site folders drawn at random from the site format alone, in many hands' styles: `draw_site(folder, seed)`.

Unlike `tests.sites` nothing is sized so that it works: pumps may be too small for a single zone, orders may forbid
every night, a zone may stand at its wilting point, files may be missing or full of gaps. Numbers are invented.
"""

from __future__ import annotations

import random
from datetime import date, timedelta
from pathlib import Path

EVENING = date(2026, 7, 14)
TURF = (
    "annual_bluegrass:0.9|creeping_bentgrass:0.1",
    "creeping_bentgrass",
    "kentucky_bluegrass",
    "perennial_ryegrass",
    "tall_fescue",
    "fine_fescue",
    "bermudagrass",
    "zoysiagrass",
    "seashore_paspalum",
    "st_augustinegrass",
    "buffalograss",
    "kikuyugrass",
)
SOIL = (
    "sand_rootzone",
    "sand",
    "loamy_sand",
    "sandy_loam",
    "loam",
    "silt_loam",
    "silt",
    "sandy_clay_loam",
    "clay_loam",
    "silty_clay_loam",
    "sandy_clay",
    "silty_clay",
    "clay",
)
SURFACE = ("green", "tee", "fairway", "approach", "rough", "pitch", "landscape")
DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def draw_site(folder: Path, seed: int) -> Path:
    """Write one drawn site and return its folder; the same seed gives the same site."""
    r = random.Random(seed)
    folder.mkdir(parents=True, exist_ok=True)
    us = r.random() < 0.4
    semicolon = r.random() < 0.3
    count = r.choice((1, 1, 2, 3, 5, 8, 13, 30, 55))
    nights = r.choice((1, 2, 3, 7, 7, 10, 14))
    pumps = r.choice((0, 1, 1, 2, 3))
    branches = r.choice((0, 0, 1, 3, 5)) if pumps else r.choice((0, 2))
    controllers = r.choice((0, 1, 2, 4))
    sources = r.choice((0, 1, 2, 3))
    zones = _zones(r, count, branches, controllers, sources)
    total = sum(float(z["flow"]) for z in zones)
    largest = max(float(z["flow"]) for z in zones)
    lines = _head(r, us, nights)
    lines += _windows(r)
    x = random.Random(f"hydraulics {seed}")  # drawn apart, so that the sites of before stay what they were
    lines += _plumbing(r, x, us, pumps, branches, controllers, total, largest)
    lines += _waters(r, us, sources, zones)
    lines += _orders(r)
    for surface in r.sample(SURFACE, r.choice((0, 0, 1, 3))):
        lines += [f"[surface.{surface}]", f"priority = {r.randint(1, 6)}"]
        lines += [f"moisture_floor = {r.choice((0.2, 0.5, 0.6))}"] if r.random() < 0.4 else []
        lines += [f"firmness_limit = {r.choice((0.7, 0.9, 1.0))}"] if r.random() < 0.5 else []
        lines += [f'finish_by = "{x.choice(("22:45", "02:00", "03:30", "05:30"))}"'] if x.random() < 0.4 else []
        lines += [""]
    (folder / "site.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    if us:
        for z in zones:
            z["flow [gal/min]"] = f"{float(z.pop('flow')) / 0.0630902:.2f}"
            z["area [ft2]"] = f"{float(z.pop('area')) / 0.09290304:.1f}"
            z["root_depth [in]"] = f"{float(z.pop('root_depth')) / 2.54:.2f}"
    bom = r.random() < 0.3
    _write(folder / "zones.csv", zones, semicolon, bom)
    _series(r, folder, zones, us, semicolon)
    return folder


def _zones(r: random.Random, count: int, branches: int, controllers: int, sources: int) -> list[dict[str, str]]:
    rows = []
    tiny = r.random() < 0.2
    for i in range(count):
        area = r.choice((40, 300, 500, 1200, 2500))
        rate = r.uniform(4, 40)
        row = {
            "zone": f"{i + 1}",
            "name": f"area {i + 1}",
            "surface": r.choice(SURFACE),
            "turf": r.choice(TURF),
            "soil": r.choice(SOIL),
            "root_depth": f"{r.choice((2, 4)) if tiny else r.choice((8, 15, 25, 40))}",
            "area": f"{area}",
            "flow": f"{rate * area / 3600:.3f}",
            "du_lq": r.choice(("", "0.55", "0.8", "1")),
            "slope": r.choice(("", "0", "4", "12")),
            "max_run": r.choice(("", "", "20", "90")),
            "microclimate": r.choice(("", "0.8", "1.2")),
            "exposure": r.choice(("", "open", "shade")),
        }
        if branches:
            row["branch"] = f"line {r.randint(1, branches)}"
        if controllers:
            row["controller"] = f"box {r.randint(1, controllers)}"
            row["station"] = f"{i + 1}"
        if sources:
            row["sources"] = "|".join(f"water {s + 1}" for s in sorted(r.sample(range(sources), r.randint(1, sources))))
        rows.append(row)
    return rows


def _head(r: random.Random, us: bool, nights: int) -> list[str]:
    place = r.choice(
        ((33.7, -117.9, "America/Los_Angeles"), (51.5, -0.1, "Europe/London"), (-33.9, 151.2, "Australia/Sydney"))
    )
    return [
        "[site]",
        'name = "Drawn site"',
        f"latitude = {place[0]}",
        f"longitude = {place[1]}",
        'elevation = "120 ft"' if us else "elevation = 36",
        f'time_zone = "{place[2]}"',
        f'units = "{"us" if us else "metric"}"',
        "",
        "[planning]",
        f"nights = {nights}",
        "",
    ]


def _windows(r: random.Random) -> list[str]:
    opens, closes = r.choice((("21:00", "05:30"), ("22:15", "04:00"), ("18:00", "24:00"), ("01:00", "05:00")))
    lines = ["[window]", f'opens = "{opens}"', f'closes = "{closes}"', ""]
    if r.random() < 0.3:
        lines += ["[[window.by_day]]", 'days = ["Tuesday", "Saturday"]', 'opens = "23:00"', 'closes = "03:00"', ""]
    return lines


def _plumbing(
    r: random.Random,
    x: random.Random,
    us: bool,
    pumps: int,
    branches: int,
    controllers: int,
    total: float,
    largest: float,
) -> list[str]:
    flow = (lambda q: f'"{q / 0.0630902:.2f} gal/min"') if us else (lambda q: f"{q:.3f}")
    lines = []
    for p in range(pumps):
        capacity = r.choice((0.5 * largest, 1.01 * largest, 2.5 * largest, total / 3, 2 * total))
        lines += ["[[pump]]", f'name = "pump {p + 1}"', f"capacity = {flow(capacity)}"]
        if r.random() < 0.4:
            ramp = r.choice((0.3, 1.1, 3.0)) * largest
            lines += [f'ramp = "{ramp / 0.0630902:.2f} gal/min/min"' if us else f"ramp = {ramp:.3f}"]
        lines += [f"smallest_flow = {flow(0.3 * largest)}"] if r.random() < 0.3 else []
        lines += ["head = 70", "efficiency = 0.6"] if r.random() < 0.5 else []
        lines += [_curve(x, us, capacity)] if x.random() < 0.4 else []
        lines += [""]
    for b in range(branches):
        lines += ["[[branch]]", f'name = "line {b + 1}"']
        lines += [f'pump = "pump {b % pumps + 1}"'] if pumps else []
        limited = r.random() < 0.8
        if limited:
            lines += [f"capacity = {flow(r.choice((0.6, 1.05, 2.2, 6.0)) * largest)}"]
        pipe = x.choice(("none", "none", "length", "roughness", "friction"))
        if pipe in ("length", "roughness"):
            lines += [f'length = "{x.randint(50, 900)} ft"' if us else f"length = {x.randint(20, 400)}"]
            lines += [f'diameter = "{x.choice((2.1, 3.2, 6.1))} in"' if us else f"diameter = {x.choice((55, 79, 150))}"]
            lines += ["roughness = 120"] if pipe == "roughness" else []
        elif pipe == "friction" and limited:
            lines += [f'friction = "{x.randint(2, 30)} ft"' if us else f"friction = {x.uniform(0.5, 9):.2f}"]
        lines += [""]
    for c in range(controllers):
        lines += [
            "[[controller]]",
            f'name = "box {c + 1}"',
            f"resolution = {r.choice((1, 6, 10, 30, 60, 60, 120, 300))}",
        ]
        lines += [f"stations_at_once = {r.choice((1, 1, 2, 6))}"] if r.random() < 0.7 else []
        lines += [""]
    return lines


def _curve(x: random.Random, us: bool, capacity: float) -> str:
    """Points of a pump curve that reaches a little past the capacity."""
    shares, head, points = sorted({0.0, 1.1, *(x.uniform(0.1, 1.0) for _ in range(x.randint(0, 3)))}), 96.0, []
    efficiency = x.random() < 0.7
    for share in shares:
        flow = f'"{share * capacity / 0.0630902:.3f} gal/min"' if us else f"{share * capacity:.4f}"
        last = [f"{x.uniform(0.3, 0.8) if share else x.choice((0.0, 0.4)):.3f}"] if efficiency else []
        points.append("[" + ", ".join([flow, f'"{head / 0.3048:.2f} ft"' if us else f"{head:.2f}", *last]) + "]")
        head -= x.uniform(0.0, 18.0)
    return f"curve = [{', '.join(points)}]"


def _waters(r: random.Random, us: bool, sources: int, zones: list[dict[str, str]]) -> list[str]:
    lines = []
    need = sum(float(z["area"]) for z in zones) * 0.006  # m3 of a warm day
    blend = r.random() < 0.5
    for s in range(sources):
        lines += ["[[source]]", f'name = "water {s + 1}"', f"ec = {r.choice((0.3, 1.2, 2.5))}"]
        lines += [f"price = {r.choice((0.1, 0.5, 2.0))}"] if r.random() < 0.7 else []
        if r.random() < 0.3:
            limit = r.choice((0.0, 0.2, 0.6, 3.0)) * need
            lines += [f'daily_limit = "{limit / 3.785411784e-3:.2f} gal"' if us else f"daily_limit = {limit:.3f}"]
        lines += [f"monthly_limit = {r.choice((0.0, 1.0, 10.0, 60.0)) * need:.3f}"] if r.random() < 0.3 else []
        lines += [f"share = {r.choice((0.25, 0.5, 0.75))}"] if blend else []
        lines += [""]
    if r.random() < 0.35:
        volume = need * r.choice((5, 60, 160))
        lines += [
            "[allocation]",
            "starts = 2026-04-01",
            "ends = 2026-07-18" if r.random() < 0.3 else "ends = 2026-10-31",
        ]
        lines += [f"volume = {volume:.2f}", f"used_before = {volume * r.choice((0.1, 0.6, 0.999, 1.0)):.2f}", ""]
        if r.random() < 0.3:
            lines += ["[[allocation.tier]]", "above = 1.0", "price = 3.0", ""]
            lines += ["[[allocation.tier]]", "above = 1.2", "price = 9.0", ""]
    if r.random() < 0.5:
        lines += ["[[tariff]]", 'from = "16:00"', 'until = "23:00"', 'days = ["Monday", "Tuesday"]', "price = 0.4", ""]
        lines += ["[[tariff]]", 'from = "23:00"', 'until = "02:30"', "price = 0.1", ""]
    return lines


def _orders(r: random.Random) -> list[str]:
    lines = []
    for _ in range(r.choice((0, 0, 1, 2))):
        lines += ["[[restriction]]"]
        kind = r.choice(("days", "hours", "cut", "pieces"))
        if kind == "days":
            lines += [
                f"nights_allowed = [{', '.join(repr(d) for d in r.sample(DAYS, r.choice((1, 3))))}]".replace("'", '"')
            ]
        if kind == "hours":
            lines += ['hours = ["22:00-02:30"]']
        if kind == "pieces":
            lines += ['hours = ["18:00-23:30", "03:00-04:45"]']
        if kind == "cut":
            lines += [f"cut = {r.choice((0.2, 0.5, 1.0))}"]
        if r.random() < 0.5:
            lines += [f'surfaces = ["{r.choice(SURFACE)}", "rough"]']
        lines += ["from = 2026-07-01", "until = 2026-07-17"] if r.random() < 0.3 else []
        lines += [""]
    return lines


def _series(r: random.Random, folder: Path, zones: list[dict[str, str]], us: bool, semicolon: bool) -> None:
    style = r.choice(("all", "all", "all", "no forecast", "no probes", "no probes", "nothing", "weather only"))
    if style == "nothing":
        return
    days = r.choice((3, 20, 60))
    gaps = r.choice((0.0, 0.0, 0.2))
    storm = r.choice((0.0, 0.0, 6.0, 60.0))
    temperature, inch = ("tmax [degF]", "rain [in]") if us else ("tmax", "rain")

    def day(d: date) -> dict[str, str]:
        tmax = r.uniform(24, 41)
        tmin = tmax - r.uniform(8, 18)
        rain = r.choice((0, 0, 0, 0, 0, 0, 3.0, 15.0))
        row = {"date": d.isoformat()}
        row["tmin [degF]" if us else "tmin"] = f"{tmin * 1.8 + 32 if us else tmin:.1f}"
        row[temperature] = f"{tmax * 1.8 + 32 if us else tmax:.1f}"
        row["rh"] = f"{r.uniform(20, 80):.0f}" if r.random() > gaps else ""
        row["wind"] = f"{r.uniform(0.5, 5):.1f}" if r.random() > gaps else ""
        row[inch] = f"{rain / 25.4 if us else rain:.3f}"
        return row

    past = [EVENING - timedelta(days=i) for i in range(days, -1, -1)]
    _write(folder / "weather.csv", [day(d) for d in past if r.random() >= gaps], semicolon)
    if style == "weather only":
        return
    if style != "no forecast":
        members = r.choice((1, 1, 4))
        reach = r.choice((2, 8, 16))
        rows = []
        for m in range(members):
            for i in range(1, reach):
                row = {"issued": f"{EVENING}T16:30", **day(EVENING + timedelta(days=i))}
                row["member"] = f"m{m}" if members > 1 else ""
                row["rain_probability"] = r.choice(("", "0.5", "1"))
                if i == 2 and storm:
                    row[inch] = f"{storm / 25.4 if us else storm:.2f}"
                rows.append(row)
        _write(folder / "forecast.csv", rows, semicolon)
    thrift = r.choice((0.05, 0.2, 0.4))
    applied = [
        {"night": d.isoformat(), "zone": z["zone"], "minutes": f"{r.choice((5, 12, 30))}", "volume": "", "note": ""}
        for d in past[-15:-1]
        for z in zones
        if r.random() < thrift
    ]
    if applied:
        _write(folder / "applied.csv", applied, semicolon)
    if style != "no probes":
        _probes(r, folder, zones, semicolon)
    if r.random() < 0.5:
        events = [
            {
                "from": (EVENING + timedelta(days=r.randint(0, 4))).isoformat(),
                "until": (EVENING + timedelta(days=r.randint(4, 6))).isoformat(),
                "surface or zone": r.choice((r.choice(zones)["surface"], r.choice(zones)["zone"])),
                "event": r.choice(("tournament", "no_water", "no_flush", "firm", "aerified", "fertigation")),
                "note": "",
            }
            for _ in range(3)
        ]
        _write(folder / "calendar.csv", events, semicolon)


def _probes(r: random.Random, folder: Path, zones: list[dict[str, str]], semicolon: bool) -> None:
    sites, readings = [], []
    wild = r.random() < 0.3  # probes that read nonsense, stand still, or say the soil is at its wilting point
    for z in r.sample(zones, max(1, len(zones) // 2)):
        for depth in r.sample((5, 10, 20), r.choice((1, 2))):
            name = f"p{z['zone']}-{depth}"
            sites.append({"probe": name, "zone": z["zone"], "depth": f"{depth}", "from": "2026-03-01", "until": ""})
            level = r.uniform(0.02, 0.45) if wild else r.uniform(0.1, 0.3)
            for hour in range(0, 92, 4):
                when = EVENING - timedelta(days=3) + timedelta(days=hour // 24)
                moisture = level if wild and depth == 10 else max(0.01, level + r.gauss(0, 0.004))
                readings.append(
                    {
                        "time": f"{when}T{hour % 24:02d}:00",
                        "probe": name,
                        "moisture": f"{moisture:.3f}",
                        "ec": f"{r.uniform(0.1, 1.5):.2f}",
                        "temperature": "22.5",
                    }
                )
    _write(folder / "probe_sites.csv", sites, semicolon)
    _write(folder / "probes.csv", readings, semicolon)


def _write(path: Path, rows: list[dict[str, str]], semicolon: bool, bom: bool = False) -> None:
    columns = list(dict.fromkeys(name for row in rows for name in row))
    mark = ";" if semicolon else ","
    words = {"date", "night", "from", "until", "issued", "time", "zone", "name", "turf", "probe", "note", "station"}

    def cell(name: str, value: str) -> str:
        return value.replace(".", ",") if semicolon and name not in words else value

    lines = [mark.join(columns), *(mark.join(cell(c, row.get(c, "")) for c in columns) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8-sig" if bom else "utf-8")

"""A site folder spoiled at random in 300 ways: each is read, or refused with a place to look at; never a traceback.

And a drawn share of the named kinds of `tests/spoiled.py` through `evenfall tonight`; bench_mutations.py runs them all.
"""

import random
import re
import shutil
from pathlib import Path

import pytest

from scheduler.errors import InputProblems
from scheduler.site import Site, load_site
from scheduler.starter import write_starter
from tests.drawn import draws
from tests.spoiled import KINDS, sound_site, spoiled_evening

# files that name what another file holds: a fault in one may show in the other
REFERS_TO = {
    "site.toml": ("zones.csv", "meter.csv"),
    "zones.csv": ("calendar.csv", "edits.csv", "probe_sites.csv", "samples.csv"),
}
SEED = 20260714
MUTATIONS = 300

CELLS = (
    "",
    " ",
    "abc",
    "-1",
    "0",
    "1e9",
    "1e999",
    "nan",
    "NaN",
    "inf",
    "-inf",
    "12.5O",
    "1,5",
    "1.234,5",
    "1_000",
    "0x10",
    "٣",
    "½",
    "2026-13-40",
    "2026-02-30",
    "25:00",
    "2026-07-14T25:00",
    "yes",
    "maybe",
    "'",
    '"',
    '""',
    "é",
    "\t",
    "=1+1",
    "G1",
    "green",
    "north loop",
    "nroth loop",
    "|",
    "a|b",
    "annual_bluegrass:0.5",
    "creeping_bentgrass:1|",
    "x" * 5000,
    "../../etc/passwd",
    "\x01",
    "999999999999999999999",
    "-0",
    "+5",
    "5.",
    ".5",
    "true",
    "None",
    "<script>",
    "%s%n",
)
HEADERS = (
    "",
    "[",
    "]",
    "[]",
    "x [",
    "area [ft2",
    "area [gal]",
    "zone",
    "date",
    "tmax [degK]",
    "flow [9**9**9]",
    "  ",
    "zóna",
    "rain[in]",
)
VALUES = (
    "0",
    "-1",
    "nan",
    "inf",
    "-inf",
    "1e400",
    "true",
    '""',
    '"abc"',
    '"12 gal"',
    '"12 ft/ft"',
    '"25:00"',
    '"24:00"',
    "21:00:00",
    "2026-13-40",
    "2026-01-01",
    "[]",
    "{}",
    "[1, 2]",
    "[[]]",
    '["Monday", 3]',
    "99999999999999999999999999",
    '"../x"',
    "'''a\nb'''",
    "0x10",
    '"\\u0007"',
    "1979-05-27T07:32:00Z",
    "{a = 1}",
    '"1e5 m"',
    '"-5 %"',
)
BYTES = (
    b"\xff",
    b"\xe9",
    b"\x00",
    b"\xef\xbb\xbf",
    b"\r",
    b"\r\n",
    b"\n\n\n",
    b'"',
    b",",
    b";",
    b"[",
    b"\xc3",
    b"#",
    b"=",
)


def spoil_cell(text: str, dice: random.Random) -> str:
    rows = text.split("\n")
    at = dice.randrange(1, max(2, len(rows) - 1))
    cells = rows[at].split(",")
    cells[dice.randrange(len(cells))] = dice.choice(CELLS)
    rows[at] = ",".join(cells)
    return "\n".join(rows)


def spoil_header(text: str, dice: random.Random) -> str:
    head, rest = text.split("\n", 1)
    cells = head.split(",")
    cells[dice.randrange(len(cells))] = dice.choice(HEADERS)
    return ",".join(cells) + "\n" + rest


def spoil_shape(text: str, dice: random.Random) -> str:
    rows = text.split("\n")
    at = dice.randrange(len(rows))
    kind = dice.randrange(7)
    if kind == 0:
        del rows[at]
    elif kind == 1:
        rows.insert(at, rows[at])
    elif kind == 2:
        rows[at] += ",surplus"
    elif kind == 3:
        rows[at] = rows[at].rpartition(",")[0]
    elif kind == 4:
        rows = rows[:at]
    elif kind == 5:
        rows.insert(at, "," * dice.randrange(20))
    else:
        dice.shuffle(rows)
    return "\n".join(rows)


def spoil_separators(text: str, dice: random.Random) -> str:
    changed = text.replace(",", dice.choice((";", "\t", ", ", ",,", "|")))
    return changed.replace(".", ",") if dice.random() < 0.5 else changed


def spoil_toml(text: str, dice: random.Random) -> str:
    rows = text.split("\n")
    keys = [i for i, row in enumerate(rows) if re.match(r"\w+ *=", row)]
    at = dice.choice(keys)
    name = rows[at].split("=")[0].rstrip()
    kind = dice.randrange(6)
    if kind <= 2:
        rows[at] = f"{name} = {dice.choice(VALUES)}"
    elif kind == 3:
        rows[at] = rows[at].replace(name, name[:-1] if dice.random() < 0.5 else name[1:] + name[0], 1)
    elif kind == 4:
        del rows[at]
    else:
        tables = [i for i, row in enumerate(rows) if row.startswith("[")]
        at = dice.choice(tables)
        rows[at] = dice.choice(
            (
                "[site]",
                "[[site]]",
                "[pump]",
                "[[pump]]",
                "[surface]",
                "[x.y]",
                "[",
                "[[window]]",
                "[allocation.tier]",
                "[columns]",
            )
        )
    return "\n".join(rows)


def spoil_bytes(data: bytes, dice: random.Random) -> bytes:
    at = dice.randrange(len(data) + 1)
    return data[:at] + dice.choice(BYTES) + data[at + dice.randrange(3) :]


def spoil(folder: Path, dice: random.Random) -> str:
    """Spoil one file of a folder; give its name."""
    name = dice.choice(
        (
            "site.toml",
            "site.toml",
            "zones.csv",
            "zones.csv",
            "zones.csv",
            "weather.csv",
            "forecast.csv",
            "calendar.csv",
            "probe_sites.csv",
        )
    )
    path = folder / name
    if dice.random() < 0.03:
        path.unlink()
        if dice.random() < 0.5:
            path.mkdir()
        return name
    for _ in range(dice.randrange(1, 4)):
        data = path.read_bytes()
        if dice.random() < 0.2 or not data.strip():
            path.write_bytes(spoil_bytes(data, dice))
            continue
        text = data.decode("utf-8", errors="surrogateescape")
        if "\n" not in text.strip():
            break
        change = (
            spoil_toml
            if name == "site.toml"
            else dice.choice((spoil_cell, spoil_cell, spoil_cell, spoil_header, spoil_shape, spoil_separators))
        )
        try:
            text = change(text, dice)
        except IndexError:  # nothing is left to choose from
            break
        path.write_bytes(text.encode("utf-8", errors="surrogateescape"))
    return name


def check_site(site: Site) -> None:
    """A site that was read is whole: nothing unknown is left where the planning needs a number."""
    zones = site.zones
    for name in (
        "area",
        "flow",
        "application_rate",
        "root_depth",
        "du_lq",
        "infiltration",
        "max_run",
        "field_capacity",
        "wilting_point",
    ):
        values = getattr(zones, name)
        assert ((values > 0) if name != "wilting_point" else (values >= 0)).all(), name
    assert (zones.field_capacity > zones.wilting_point).all()
    assert len(set(zones.zone)) == len(zones) and all(zones.zone)
    assert all(zones.sources) and zones.kc_month.shape == (len(zones), 12)
    assert not site.weather["date"].duplicated().any() and site.weather["date"].is_monotonic_increasing
    assert not (site.weather["tmin"] > site.weather["tmax"]).any()


@pytest.mark.drawn
@pytest.mark.parametrize("batch", range(draws(10, 1)))
def test_every_spoiled_site_is_read_or_refused_with_a_place(tmp_path, batch):
    refused = 0
    for number in range(batch * MUTATIONS // 10, batch * MUTATIONS // 10 + draws(30, 6)):
        dice = random.Random(SEED + number)
        folder = tmp_path / str(number)
        write_starter(folder)
        name = spoil(folder, dice)
        try:
            check_site(load_site(folder))
        except InputProblems as found:
            refused += 1
            assert found.problems
            for problem in found.problems:
                assert problem.file.endswith((".toml", ".csv")), (number, name)
                assert str(problem).isprintable(), (number, name, str(problem))
                assert len(str(problem)) < 800, (number, name, str(problem))
                whole_file = re.search(
                    r"empty|key is missing|no such file|cannot be read|no zone|no header|regular file", problem.message
                )
                assert problem.line is not None or whole_file, (number, name, str(problem))
            assert {p.file for p in found.problems} <= {name, *REFERS_TO.get(name, ())}, (number, name, str(found))
    assert draws(5, 1) <= refused <= MUTATIONS // 10  # the mutations do bite


@pytest.mark.drawn
def test_a_spoiled_site_gets_no_plan_and_the_place_is_named(tmp_path):
    sound = sound_site(tmp_path / "sound")
    faults, became = [], set()
    drawn = random.Random(SEED)
    kinds = [
        *drawn.sample([k for k in KINDS if k.refused], draws(30, 5)),
        *drawn.sample([k for k in KINDS if not k.refused], draws(10, 2)),
    ]
    for number, kind in enumerate(kinds):
        folder = shutil.copytree(sound, tmp_path / str(number))
        seen = spoiled_evening(folder, kind, draw=7)
        became.add(seen.became)
        faults += [f"{kind.name}: {seen.fault}"] if seen.fault else []
    assert not faults, "\n".join(faults)
    assert became == {"refused", "planned"}

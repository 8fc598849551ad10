"""CSV files: any spreadsheet's habits are read, every fault is located, both ways of reading agree."""

import numpy as np
import pandas as pd
import pytest

from scheduler.site import csv_text
from tests.scheduler.site_folders import TOML, lines, problems, site


def test_header_units_convert_with_offsets(tmp_path):
    read = site(
        tmp_path,
        zones="zone,surface,area [ft2],flow [gal/min],root_depth [in]\nG1,green,5000,30,6\n",
        weather="date,tmin [degF],tmax [degF],rain [in],solar [langley],wind [mph]\n2026-07-01,50,86,0.5,500,5\n",
    )
    assert read.zones.area[0] == pytest.approx(464.5152)
    assert read.zones.flow[0] == pytest.approx(1.892705892)
    assert read.zones.root_depth[0] == pytest.approx(0.1524)
    assert read.weather.loc[0, ["tmin", "tmax", "rain", "solar", "wind"]].tolist() == pytest.approx(
        [10.0, 30.0, 12.7, 20.92, 2.2352]
    )


def test_semicolons_decimal_commas_quotes_crlf_blank_lines_and_byte_order_mark(tmp_path):
    text = (
        '\ufeffzone;name;surface;area;flow\r\n\r\nG1;"Green; first";green;450,5;1,25\r\n'
        ';;;;\r\n"G2";;tee;300;,8\r\n\r\n'
    )
    read = site(tmp_path, zones=text)
    assert read.zones.zone.tolist() == ["G1", "G2"]
    assert read.zones.name.tolist() == ["Green; first", "G2"]
    assert read.zones.area.tolist() == [450.5, 300.0]
    assert read.zones.flow.tolist() == [1.25, 0.8]


def test_semicolons_with_decimal_points_are_read_too(tmp_path):
    assert site(tmp_path, zones="zone;surface;area;flow\nG1;green;450.5;1.25\n").zones.area[0] == 450.5


def test_a_point_among_decimal_commas_is_doubtful(tmp_path):
    found = lines(tmp_path, zones="zone;surface;area;flow\nG1;green;450,5;1,25\nG2;green;1.450;1,25\n")
    assert found == [
        'zones.csv, line 3, column "area": read "1.450"; a number above 0 is allowed, for example 450 '
        "(this file writes its decimals with a comma, so a point is doubtful)"
    ]


def test_all_faults_of_a_row_and_a_file_are_said_together(tmp_path):
    found = lines(
        tmp_path,
        TOML + '[[branch]]\nname = "north loop"\n[[branch]]\nname = "south loop"\n',
        "zone,surface,area,flow [gal/min],branch\nG1,green,450,12.5O,nroth loop\nG1,gren,-4,30,\nG3,tee\n,tee,5,inf,\n",
    )
    assert found == [
        'zones.csv, line 2, column "flow [gal/min]": read "12.5O"; a number above 0 is allowed, for example 23.8',
        'zones.csv, line 2, column "branch": read "nroth loop"; allowed: "north loop", "south loop" (did you mean '
        '"north loop"?)',
        'zones.csv, line 3, column "surface": read "gren"; allowed: "green", "tee", "fairway", "approach", '
        '"rough", "pitch", '
        '"landscape" (did you mean "green"?)',
        'zones.csv, line 3, column "area": read "-4"; a number above 0 is allowed, for example 450',
        'zones.csv, line 3, column "zone": read "G1"; a zone stands once; line 2 has it already',
        "zones.csv, line 4: read 2 cells; the header has 5",
        'zones.csv, line 5, column "zone": the cell is empty; a text of at most 80 characters is needed',
        'zones.csv, line 5, column "flow [gal/min]": read "inf"; a number above 0 is allowed, for example 23.8 '
        "(leave the cell empty where the value is not known)",
    ]


def test_lines_count_physical_lines_after_quoted_line_ends(tmp_path):
    found = problems(tmp_path, zones='zone,name,surface,area,flow\nG1,"first\nsecond",green,450,1\n\nG2,,green,x,1\n')
    assert [(p.line, p.column) for p in found] == [(5, "area")]


def test_twenty_faults_of_a_column_are_listed_and_the_rest_counted(tmp_path):
    found = lines(tmp_path, zones="zone,surface,area,flow\n" + "".join(f"G{i},green,x,1\n" for i in range(152)))
    assert len(found) == 21
    assert found[-1] == 'zones.csv, line 22, column "area": and 132 more of this kind from here on'


@pytest.mark.parametrize(
    ("zones", "message"),
    [
        (b"", "zones.csv: the file is empty; a header row is needed"),
        (b"\n \n", "zones.csv: the file is empty; a header row is needed"),
        (None, "zones.csv: there is no such file in the site folder; it is indispensable"),
        (b"zone,surface,area,flow\n", "zones.csv: the file holds no zone; one row a zone is needed"),
        (b"zone,surface,flow\nG1,green,1\n", 'zones.csv, line 1, column "area": the header lacks this column'),
        (b"zone,surface,aera,flow\nG1,green,1,1\n", 'the header lacks this column; write "area" in place of "aera"'),
        (b"zone,surface,area [gal],flow\nG1,green,1,1\n", 'read the unit "gal"; m2, ft2, acre or ha is allowed'),
        (b"zone,surface,area,area,flow\nG1,green,1,1,1\n", 'column "area": this column stands twice in the header'),
        (
            b"zone,surface,area,flow\nG1,green,1,1\nG2,green,2,\xe9\n",
            "zones.csv, line 3: read the byte 0xE9, which is not UTF-8",
        ),
        (
            b'zone,surface,area,flow\nG1,green,450,"1\n',
            "line 2: the file cannot be read as CSV from here on: a quote is opened here",
        ),
        (b"zone,surface,area,flow\nG\x011,green,450,1\n", 'read "G.1"; a text without control characters is allowed'),
        (b'zone,surface,area,flow\nG1,green,"1,450",1\n', "write it without separators of thousands"),
        (b"zone,surface,area,flow\nG1,green,450,\n", 'column "flow": neither flow nor application_rate is given'),
        (b"G1,green,450,1\n", 'line 1, column "zone": the header lacks this column'),
    ],
)
def test_refusals(tmp_path, zones, message):
    found = "\n".join(lines(tmp_path, zones=zones))
    with pytest.raises(AssertionError, match=message):
        raise AssertionError(found)


def test_a_folder_in_the_place_of_a_file_is_a_problem(tmp_path):
    (tmp_path / "weather.csv").mkdir()
    assert [str(p) for p in problems(tmp_path)] == [
        "weather.csv: this is not a regular file; a file or a link to one is allowed"
    ]


def test_an_unknown_column_is_kept_out_with_a_note_and_a_suggestion(tmp_path):
    read = site(tmp_path, zones="zone,surface,area,flow,raot_depth,colour\nG1,green,450,1,9,red\n")
    texts = [n.text for n in read.notes if n.kind == "warning"]
    assert texts == [
        'the column "raot_depth" is not known and was kept out (did you mean "root_depth"?)',
        'the column "colour" is not known and was kept out',
    ]
    assert read.zones.root_depth[0] != pytest.approx(0.09)


def test_column_map_names_units_and_leaves_out(tmp_path):
    toml = (
        TOML + '[columns.weather]\n"Day" = "date"\n"Max Temp °F" = "tmax [degF]"\n"Min Temp °F" = "tmin [degF]"\n'
        '"Batt" = ""\n'
    )
    read = site(tmp_path, toml, weather="Day,Max Temp °F,Min Temp °F,Batt\n2026-07-01,86,50,12.1\n")
    assert read.weather[["tmin", "tmax"]].iloc[0].tolist() == pytest.approx([10.0, 30.0])
    assert not [n for n in read.notes if n.kind == "warning"]


def test_times_with_an_offset_become_local_and_24_00_is_the_next_day(tmp_path):
    read = site(
        tmp_path,
        probes="time,probe,moisture\n2026-07-01T12:00Z,P1,0.2\n2026-07-01T24:00,P1,0.21\n2026-07-01 "
        "06:30:15-07:00,P1,0.22\n",
        probe_sites="probe,zone,depth\nP1,G1,8\n",
    )
    assert read.probes["time"].astype(str).tolist() == [
        "2026-07-01 05:00:00",
        "2026-07-01 06:30:15",
        "2026-07-02 00:00:00",
    ]


@pytest.mark.parametrize(
    "cell", ["2026-13-40", "2026-02-30", "20260714", "0000-01-01", "9999-01-01", "today", "2026-7-4"]
)
def test_what_is_no_date(tmp_path, cell):
    found = lines(tmp_path, weather=f"date,tmin,tmax\n{cell},10,20\n")
    assert found == [f'weather.csv, line 2, column "date": read "{cell}"; a date like 2026-07-14 is allowed']


@pytest.mark.parametrize(
    "cell", ["2026-07-01T25:00", "2026-07-01T10:60", "2026-07-01T10:00+25:00", "10:00", "2026-07-01T1000"]
)
def test_what_is_no_time(tmp_path, cell):
    found = lines(tmp_path, probes=f"time,probe,moisture\n{cell},P1,0.2\n")
    assert found == [f'probes.csv, line 2, column "time": read "{cell}"; a time like 2026-07-14T21:30 is allowed']


def long_probes(rows, sep=",", point="."):
    cells = [
        f"2026-07-{1 + i // 1440:02d}T{i // 60 % 24:02d}:{i % 60:02d}{sep}P{i % 3}{sep}0.{100 + i % 200}{sep}{i % 7}"
        for i in range(rows)
    ]
    text = f"time{sep}probe{sep}moisture{sep}ec\n" + "\n".join(cells) + "\n"
    return text if point == "." else text.replace("0.", "0" + point)


PROBE_SITES = "probe,zone,depth\nP0,G1,8\nP1,G1,15\nP2,F1,8\n"


@pytest.mark.parametrize(("sep", "point"), [(",", "."), (";", ","), ("\t", ".")])
def test_the_quick_way_and_the_careful_way_agree(tmp_path, monkeypatch, sep, point):
    text = long_probes(3000, sep, point)
    careful = site(tmp_path / "a", probes=text, probe_sites=PROBE_SITES).probes
    monkeypatch.setattr(csv_text, "QUICK_BYTES", 0)
    monkeypatch.setattr(csv_text, "_careful", None)  # would fail if the quick way gave up on any file of the folder
    quick = site(tmp_path / "b", probes=text, probe_sites=PROBE_SITES).probes
    assert len(quick) == 3000
    pd.testing.assert_frame_equal(quick, careful, rtol=1e-15)


@pytest.mark.parametrize(
    ("spoil", "line", "column"),
    [
        (
            lambda rows: rows[:50] + [rows[50] + ",7"] + [rows[51].rsplit(",", 1)[0]] + rows[52:],
            51,
            None,
        ),  # one cell too many, one too few
        (lambda rows: rows[:50] + [rows[50].replace("0.", "0,")] + rows[51:], 51, None),
        (lambda rows: rows[:50] + [rows[50].replace("0.", "O.")] + rows[51:], 51, "moisture"),
        (lambda rows: rows[:50] + [rows[50].replace("T", "x")] + rows[51:], 51, "time"),
        (lambda rows: rows[:50] + [rows[50].replace("0.", "nan0.")] + rows[51:], 51, "moisture"),
        (lambda rows: rows[:50] + ["", rows[50].rsplit(",", 2)[0] + ",inf,1"] + rows[51:], 52, "moisture"),
    ],
)
def test_a_fault_in_a_long_file_is_found_and_located(tmp_path, monkeypatch, spoil, line, column):
    monkeypatch.setattr(csv_text, "QUICK_BYTES", 0)
    text = "\n".join(spoil(long_probes(200).splitlines())) + "\n"
    found = problems(tmp_path, probes=text, probe_sites=PROBE_SITES)
    assert (found[0].file, found[0].line, found[0].column) == ("probes.csv", line, column)


def test_impossible_probe_readings_are_set_aside_with_a_note(tmp_path):
    read = site(
        tmp_path,
        probes="time,probe,moisture [%],ec [mS/cm]\n2026-07-01T10:00,P0,120,1\n2026-07-01T11:00,P0,20,-3\n"
        "2026-07-01T12:00,PX,20,1\n",
        probe_sites=PROBE_SITES,
    )
    np.testing.assert_allclose(read.probes["moisture"], [np.nan, 0.2])
    np.testing.assert_allclose(read.probes["ec"], [1.0, np.nan])
    texts = [n.text for n in read.notes if n.subject == "probes.csv"]
    assert any(t.startswith('1 reading of the column "moisture [%]" outside of what is possible') for t in texts)
    assert '1 reading of probes that probe_sites.csv does not have set aside: "PX"' in texts

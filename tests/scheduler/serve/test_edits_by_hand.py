"""The manager's word in edits.csv without a server: what may be said, what is kept, and how it is taken back."""

from datetime import date

import pytest

from scheduler.serve import edits
from scheduler.serve.edits import KEPT, NotAnEdit, edits_of, put, undo

NIGHT = date(2026, 7, 14)
HEAD = "night,zone,minutes,note\n"


def kept(folder):
    return sorted((folder / KEPT).glob("*")) if (folder / KEPT).is_dir() else []


@pytest.mark.parametrize(
    ("word", "why"),
    [
        ("12", None), ("12.25", None), ("60", None), (" SKIP ", None), ("hold", None), ("0", None),
        ("60.01", "at most 60"),
        ("61", "at most 60 minutes are allowed for G1"), ("12.345", "minutes, hold, skip or free"),
        ("-1", "read \"-1\""),
        ("12345", "minutes, hold"), ("1e1", "minutes, hold"), ("", "minutes, hold"), ("١٢", "minutes, hold"),
    ],
)  # fmt: skip
def test_what_may_be_said(tmp_path, word, why):
    if why is None:
        put(tmp_path, NIGHT, "G1", word, "", 60.0)
        assert edits_of(tmp_path, NIGHT) == {"G1": (word.strip().lower(), "")}
    else:
        with pytest.raises(NotAnEdit, match=why):
            put(tmp_path, NIGHT, "G1", word, "", 60.0)
        assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("note", "fits"), [("x" * 200, True), ("x" * 201, False), ("two\nlines", False), ("", True)])
def test_a_note_is_one_line_of_two_hundred_characters(tmp_path, note, fits):
    if fits:
        put(tmp_path, NIGHT, "G1", "skip", note, 60.0)
        assert edits_of(tmp_path, NIGHT) == {"G1": ("skip", note)}
    else:
        with pytest.raises(NotAnEdit, match="a note of at most 200 characters on one line"):
            put(tmp_path, NIGHT, "G1", "skip", note, 60.0)


def test_a_word_takes_the_place_of_an_earlier_one_and_of_no_other(tmp_path):
    (tmp_path / "edits.csv").write_text(
        "\ufeffnight , zone,minutes\n2026-07-14,G1,9\n2026-07-13,G1,8\n2026-07-14,F1,7\n", encoding="utf-8"
    )
    put(tmp_path, NIGHT, "G1", "5.5", "wet", 60.0)
    assert (tmp_path / "edits.csv").read_text() == HEAD + "2026-07-13,G1,8,\n2026-07-14,F1,7,\n2026-07-14,G1,5.5,wet\n"
    put(tmp_path, NIGHT, "F1", "free", "", 60.0)  # the plan decides again: no row
    assert (tmp_path / "edits.csv").read_text() == HEAD + "2026-07-13,G1,8,\n2026-07-14,G1,5.5,wet\n"
    assert edits_of(tmp_path, NIGHT) == {"G1": ("5.5", "wet")}
    assert edits_of(tmp_path, date(2026, 7, 12)) == {} == edits_of(tmp_path / "nowhere", NIGHT)


def test_changes_are_taken_back_one_by_one_to_the_first(tmp_path):
    for word in ("1", "2", "skip"):
        put(tmp_path, NIGHT, "G1", word, "", 60.0)
    assert len(kept(tmp_path)) == 3
    seen = []
    while undo(tmp_path):
        seen.append(edits_of(tmp_path, NIGHT).get("G1", ("none", ""))[0])
    assert seen == ["2", "1", "none"]
    assert kept(tmp_path) == [] and (tmp_path / "edits.csv").read_text() == HEAD


def test_the_newest_versions_are_kept(tmp_path, monkeypatch):
    monkeypatch.setattr(edits, "VERSIONS", 3)
    assert edits.VERSIONS == 3
    for minutes in range(5):
        put(tmp_path, NIGHT, "G1", str(minutes), "", 60.0)
    texts = [path.read_text().splitlines()[-1] for path in kept(tmp_path)]
    assert texts == ["2026-07-14,G1,1,", "2026-07-14,G1,2,", "2026-07-14,G1,3,"]


def test_fifty_versions_are_kept():
    assert edits.VERSIONS == 50


def test_a_short_row_of_a_person_s_file_is_read(tmp_path):
    (tmp_path / "edits.csv").write_text("night,zone,minutes,note,\n2026-07-14,G1\n2026-07-14,F1,5,n,extra,more\n")
    assert edits_of(tmp_path, NIGHT) == {"G1": ("", ""), "F1": ("5", "n")}
    put(tmp_path, NIGHT, "X", "skip", "", 60.0)
    assert (tmp_path / "edits.csv").read_text() == HEAD + "2026-07-14,G1,,\n2026-07-14,F1,5,n\n2026-07-14,X,skip,\n"

import errno
import os
import stat
from pathlib import Path

import pytest

from scheduler.files import finish_sets, whole_set, write_atomic, write_atomic_with


def test_text_and_bytes_arrive_as_given(tmp_path):
    assert write_atomic(tmp_path / "a.txt", "Zürich\r\nline 2\n") == tmp_path / "a.txt"
    assert (tmp_path / "a.txt").read_bytes() == "Zürich\r\nline 2\n".encode()
    write_atomic(tmp_path / "new" / "folder" / "b.bin", b"\x00\xff")
    assert (tmp_path / "new" / "folder" / "b.bin").read_bytes() == b"\x00\xff"


def test_a_failing_writer_leaves_the_old_file_and_no_debris(tmp_path):
    target = tmp_path / "plan.json"
    write_atomic(target, "the last good plan")

    def half(stream):
        stream.write(b"half a pl")
        raise RuntimeError("power went")

    with pytest.raises(RuntimeError, match="power went"):
        write_atomic_with(target, half)
    assert target.read_text() == "the last good plan"
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]


def test_text_that_cannot_be_encoded_leaves_the_old_file(tmp_path):
    target = tmp_path / "plan.json"
    write_atomic(target, "old")
    with pytest.raises(UnicodeEncodeError):
        write_atomic(target, "\ud800")
    assert target.read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_failing_move_leaves_the_old_file(tmp_path, monkeypatch):
    target = tmp_path / "plan.json"
    write_atomic(target, "old")

    def refuse(self, other):
        raise PermissionError("busy")

    monkeypatch.setattr("pathlib.Path.replace", refuse)
    with pytest.raises(PermissionError, match="busy"):
        write_atomic(target, "new")
    assert target.read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 1


def test_the_data_is_on_the_disk_before_the_move(tmp_path, monkeypatch):
    order = []
    fsync, replace = os.fsync, type(tmp_path).replace
    monkeypatch.setattr(os, "fsync", lambda f: (order.append("sync"), fsync(f)))
    monkeypatch.setattr("pathlib.Path.replace", lambda self, other: (order.append("move"), replace(self, other))[1])
    write_atomic(tmp_path / "x", "x")
    assert order[:2] == ["sync", "move"]


@pytest.mark.skipif(os.name != "posix", reason="file modes are a POSIX matter")
def test_modes_are_readable_and_kept(tmp_path):
    target = tmp_path / "x"
    write_atomic(target, "1")
    assert stat.S_IMODE(target.stat().st_mode) == 0o644
    target.chmod(0o640)
    write_atomic(target, "2")
    assert stat.S_IMODE(target.stat().st_mode) == 0o640


def test_files_that_belong_together_come_together(tmp_path):
    for text in ("old", "new"):
        with whole_set(tmp_path / "night") as place:
            write_atomic(place / "plan.json", text)
            write_atomic(place / "by controller" / "run-times.csv", text)
    assert (tmp_path / "night" / "plan.json").read_text() == "new"
    assert (tmp_path / "night" / "by controller" / "run-times.csv").read_text() == "new"
    assert sorted(p.name for p in (tmp_path / "night").iterdir()) == ["by controller", "plan.json"]


def test_a_set_that_fails_leaves_the_old_one_whole(tmp_path):
    write_atomic(tmp_path / "plan.json", "old")
    write_atomic(tmp_path / "run-times.csv", "old")
    with pytest.raises(OSError, match="No space left"), whole_set(tmp_path) as place:
        write_atomic(place / "run-times.csv", "new")
        raise OSError(errno.ENOSPC, "No space left on device")
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {"plan.json": "old", "run-times.csv": "old"}


def test_a_set_cut_off_while_it_moves_is_finished_by_whoever_comes_next(tmp_path, monkeypatch):
    for name in ("a", "b"):
        write_atomic(tmp_path / name, "old")
    moves, real = [], Path.replace

    def dies_at_the_second(self, target):
        moves.append(target)
        if len(moves) == 2:
            raise KeyboardInterrupt
        return real(self, target)

    with pytest.raises(KeyboardInterrupt), whole_set(tmp_path) as place:
        for name in ("a", "b"):
            (place / name).write_text("new")
        monkeypatch.setattr(Path, "replace", dies_at_the_second)
    assert [(tmp_path / name).read_text() for name in ("a", "b")] == ["new", "old"]
    monkeypatch.undo()
    finish_sets(tmp_path)
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {"a": "new", "b": "new"}


def test_what_a_killed_program_left_is_swept_when_it_is_old(tmp_path):
    for name in (".unfinished-1", ".unfinished-2"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "plan.json").write_text("half")
    (tmp_path / ".night.html.x.part").write_text("half")
    for name in (".unfinished-1", ".night.html.x.part"):
        os.utime(tmp_path / name, (0, 0))
    finish_sets(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == [".unfinished-2"]
    finish_sets(tmp_path / "not there")

"""Compiled templates: kept where Python keeps modules, read again, made anew where spoiled or out of date."""

import sys
from pathlib import Path

import pytest
from jinja2 import Environment, FileSystemLoader

from scheduler.sheets.compiled import BesideModules


def _page(folder: Path) -> str:
    made = Environment(loader=FileSystemLoader(folder), autoescape=True, bytecode_cache=BesideModules(folder))
    return made.get_template("page.jinja").render(name="A & B")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    monkeypatch.setattr(sys, "pycache_prefix", None)
    (tmp_path / "page.jinja").write_text("zone {{ name }}", encoding="utf-8")
    return tmp_path


def test_a_template_is_kept_and_read_again(folder):
    assert _page(folder) == "zone A &amp; B"
    (kept,) = (folder / "__pycache__").iterdir()
    written = kept.stat().st_mtime_ns
    assert _page(folder) == "zone A &amp; B"
    assert kept.stat().st_mtime_ns == written


@pytest.mark.parametrize("end", [0, 5, 20, 40, 60])
def test_a_spoiled_file_is_made_anew(folder, end):
    _page(folder)
    (kept,) = (folder / "__pycache__").iterdir()
    whole = kept.read_bytes()
    kept.write_bytes(whole[:end] + b"\x00spoiled")
    assert _page(folder) == "zone A &amp; B"
    assert kept.read_bytes() == whole


def test_a_changed_template_is_made_anew(folder):
    _page(folder)
    (folder / "page.jinja").write_text("station {{ name }}", encoding="utf-8")
    assert _page(folder) == "station A &amp; B"


def test_nothing_is_written_where_python_may_not(folder, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert _page(folder) == "zone A &amp; B"
    assert not (folder / "__pycache__").exists()


def test_a_place_that_cannot_be_written_does_no_harm(folder):
    (folder / "__pycache__").write_text("a file where the folder would be", encoding="utf-8")
    assert _page(folder) == "zone A &amp; B"

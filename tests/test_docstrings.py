"""Examples in docstrings give what they say."""

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
WITH_EXAMPLES = [
    ".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for room in ("models", "scheduler")
    for file in sorted((ROOT / room).rglob("*.py"))
    if ">>> " in file.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples_of_docstrings(name):
    failed, tried = doctest.testmod(importlib.import_module(name))
    assert tried and not failed

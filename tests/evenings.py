"""An evening without command line and ledger, for tests about the plan: planned, published and read back."""

from __future__ import annotations

import json
from datetime import date, datetime
from pathlib import Path

import jsonschema

from scheduler.document.schema import made_schema
from scheduler.evening import plan_tonight, publish
from scheduler.nights import out_folder
from scheduler.site import load_site

SCHEMA = jsonschema.Draft202012Validator(made_schema())  # that it is a schema: tests/scheduler/test_sheets_document.py


def schema_faults(plan: dict) -> list[str]:
    """What the shipped schema has against a plan."""
    return [f"{'/'.join(map(str, e.path))}: {e.message}" for e in SCHEMA.iter_errors(plan)]


def published_evening(folder: Path, night: date) -> dict:
    """Plan an evening and publish it in the folder; plan.json, true to its schema."""
    site = load_site(folder)
    document = plan_tonight(site, night, datetime(night.year, night.month, night.day, 18, tzinfo=site.time_zone))
    out = out_folder(site, night)
    publish(site, document, out)
    plan = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    assert schema_faults(plan) == []
    return plan

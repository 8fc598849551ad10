"""status.json: what a nightly run did, for a monitor; typed, its schema generated (`status.schema.json`)."""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from scheduler.document.rung import Rung
from scheduler.files import write_atomic

STATUS = "status.json"
SCHEMA_FILE = Path(__file__).with_name("status.schema.json")


class StepState(StrEnum):
    """How a step ended."""

    DONE = "done"
    PARTLY = "partly"  # done in a simpler way, or some of it failed
    FAILED = "failed"
    UNCHANGED = "unchanged"  # nothing had changed since it was done
    SKIPPED = "skipped"  # not asked for


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Step(_Part):
    """One step of the evening."""

    name: Literal["read", "feeds", "intake", "morning", "tonight", "export", "notice"]
    state: StepState
    words: list[str] = Field(default_factory=list, description="what was done or what went wrong, a line each")
    seconds: float = Field(ge=0, description="how long it took [s]")


class StandingPlan(_Part):
    """The plan that stands for the night, or None of it."""

    night: str = Field(description="the night it is for, YYYY-MM-DD")
    rung: Rung
    made: str = Field(description="when it was made, ISO 8601 with offset")
    digest: str = Field(description="of plan.json, SHA-256 in hex")


class Status(_Part):
    """The whole of status.json."""

    schema_name: Literal["evenfall-status/1"] = Field(default="evenfall-status/1", alias="schema")
    site: str
    night: str = Field(description="the evening, YYYY-MM-DD")
    state: Literal["running", "ended"]
    began: str
    ended: str | None = None
    by: str = Field(description="when a plan must stand, ISO 8601 with offset")
    opens: str = Field(description="when the window opens, ISO 8601 with offset")
    steps: list[Step] = Field(default_factory=list)
    plan: StandingPlan | None = None
    trouble: list[str] = Field(default_factory=list, description="what a person should look at, worst first")
    exit_code: int | None = Field(default=None, description="of the command for this site; null while it runs")
    inputs_digest: str = Field(default="", description="of the files the plan was made from, SHA-256 in hex")
    notice_digest: str = Field(default="", description="of the plan and trouble the last notice told of")
    plan_seconds: float = Field(default=0.0, ge=0, description="how long the last full plan took [s]")

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


def status_schema() -> dict[str, Any]:
    """JSON Schema of status.json, generated from the models."""
    schema = Status.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def write_status(folder: Path, status: Status) -> None:
    """Write status.json in one step."""
    write_atomic(folder / STATUS, status.model_dump_json(by_alias=True, indent=1) + "\n")


def read_status(folder: Path) -> Status | None:
    """Read status.json; None where there is none or it is of another shape."""
    try:
        return Status.model_validate(json.loads((folder / STATUS).read_text(encoding="utf-8")))
    except (OSError, ValueError, ValidationError):
        return None


if __name__ == "__main__":
    write_atomic(SCHEMA_FILE, json.dumps(status_schema(), indent=1) + "\n")

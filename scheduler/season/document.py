"""season.json: the account of a season as a typed document; its JSON Schema is generated from here.

Its parts are those of `parts.py`, where units are told.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from scheduler.season.parts import (
    AllocationPart,
    AllowancePart,
    Answer,
    BlockPart,
    CumulativeUse,
    DifferencePart,
    EventPart,
    FlushPart,
    LeachingPart,
    MeterPart,
    Month,
    Part,
    PracticePart,
    Row,
    SaltPath,
    SeasonBeside,
    Shown,
    SiteRef,
    SourceMonth,
    SourceTotal,
    SpanPart,
    SurfaceTotal,
    Totals,
    ZonePart,
)

SCHEMA_NAME = "evenfall-season/1"
SCHEMA_FILE = Path(__file__).with_name("season.schema.json")


class SeasonDocument(Part):
    """The account of a season."""

    schema_: Literal["evenfall-season/1"] = Field(SCHEMA_NAME, alias="schema")
    made: str
    site: SiteRef
    shown: Shown
    span: SpanPart
    totals: Totals
    bill: float = Field(description="water, energy and the steps of the allocation together")
    months: list[Month]
    sources: list[SourceMonth]
    source_totals: list[SourceTotal]
    zones: list[ZonePart]
    rows: list[Row]
    surfaces: list[SurfaceTotal]
    meters: list[MeterPart]
    meter_error: float
    differences: list[DifferencePart]
    allocation: AllocationPart | None
    cumulative: CumulativeUse
    allowance: AllowancePart | None
    energy: list[BlockPart]
    flushes: list[FlushPart]
    leaching: list[LeachingPart]
    salts: list[SaltPath]
    events: list[EventPart]
    practices: list[PracticePart]
    seasons: list[SeasonBeside]
    base: SeasonBeside | None
    uncounted: list[str] = Field(description="what ran and cannot be counted")
    estimates: list[str] = Field(description="which figures are estimated, and how")
    answers: list[Answer]
    changed: list[str]
    next_season: list[str]
    notes: list[str]

    def plain(self) -> dict[str, Any]:
        """Give the document as plain values, as it is written."""
        return self.model_dump(mode="json", by_alias=True)


def generated_schema() -> dict[str, Any]:
    """Give the JSON Schema of the document."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **SeasonDocument.model_json_schema(by_alias=True),
    }


if __name__ == "__main__":  # write the schema again after a change
    SCHEMA_FILE.write_text(json.dumps(generated_schema(), indent=1) + "\n", encoding="utf-8")

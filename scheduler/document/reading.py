"""Reading plan documents, also those of earlier versions: the one place where plain values become a `PlanDocument`.

A plan once published is never changed, in the ledger or in the folder of its night; one of an earlier version is
brought to today's form whenever it is read.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from scheduler.document.parts import SCHEMA_NAME, PlanDocument, Why
from scheduler.notes import OF_SUBJECT, Topic

FIRST = "evenfall-plan/1"
OLD_REASONS = (  # how version 1 began its sentences, which were then all that told one reason from another
    ("salt flush", Why.FLUSH),
    ("watered, and a little more", Why.UPKEEP),
    ("without water too dry by tomorrow", Why.DRY_TOMORROW),
    ("without water too dry", Why.DRY_LATER),
    ("refilled", Why.REFILL),
    ("cannot run", Why.TOO_LARGE),
    ("no watering allowed", Why.NOT_ALLOWED),
    ("needs water but gives way", Why.GIVES_WAY),
    ("rain in the forecast", Why.RAIN),
    ("enough for all", Why.ENOUGH),
    ("enough until tomorrow", Why.ENOUGH),
)


def read_plan(path: Path) -> PlanDocument:
    """Read a plan document from its file.

    Raises
    ------
    ValueError                      Not JSON, or not this structure.
    OSError                         The file cannot be read.
    """
    try:
        return document_of(json.loads(Path(path).read_text(encoding="utf-8")))
    except ValueError as error:
        raise ValueError(f"{path}: this is not a plan document ({error})") from error


def document_of(plain: Any) -> PlanDocument:
    """Make a document from plain values, of this version or an earlier one.

    Raises
    ------
    ValueError                      Not this structure; the first field that does not fit is named.
    """
    if not isinstance(plain, dict) or plain.get("schema") not in (SCHEMA_NAME, FIRST):
        read = plain.get("schema") if isinstance(plain, dict) else type(plain).__name__
        raise ValueError(f'read schema "{read}"; allowed: "{SCHEMA_NAME}"')
    try:
        return PlanDocument.model_validate(_of_first(plain) if plain["schema"] == FIRST else plain)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise ValueError(f"{place}: {first['msg']}") from error
    except (AttributeError, KeyError, TypeError) as error:
        raise ValueError(f"a part of it is missing or of another kind: {error!r}") from error


def _of_first(plain: dict[str, Any]) -> dict[str, Any]:
    """Bring version 1 to version 2: kinds beside the sentences of zones and warnings."""
    zones = [z | {"why": _why(z["reason"])} for z in plain["zones"]]
    warnings = [_warning(w["subject"]) | w for w in plain["warnings"]]
    advice = [{"words": words} for words in plain.get("advice", ())]
    changed: dict[str, Any] = {"schema": SCHEMA_NAME, "zones": zones, "warnings": warnings, "advice": advice}
    season = plain.get("allocation")
    if season and not isinstance(season.get("worth_per_m3"), dict):  # a plain number in drafts of version 1
        changed["allocation"] = season | {"worth_per_m3": None}
    return plain | changed


def _why(reason: str) -> Why:
    known = next((why for start, why in OLD_REASONS if reason.startswith(start)), None)
    if known is not None:
        return known
    return Why.ENOUGH_FOR_NOW if "next run" in reason else Why.GIVES_WAY_LATER


def _warning(subject: str) -> dict[str, Any]:
    probe = subject.removeprefix("probe ") if subject.startswith("probe ") else ""
    return {"kind": Topic.PROBE if probe else OF_SUBJECT.get(subject, Topic.OTHER), "name": probe}

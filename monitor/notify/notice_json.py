"""A notice as JSON for a machine: the body of the webhook (docs/reference/webhook.md)."""

from __future__ import annotations

import math

from pydantic import JsonValue

from monitor.notify.when import utc_time
from monitor.plant.message_ids import thread_id
from monitor.plant.model import Plant
from monitor.readings import Owed

FORMAT = "goodwater.notice/1"


def notice_json(owed: Owed, plant: Plant, place: str, first_line: str, text: str) -> dict[str, JsonValue]:
    """Who is told what about which alarm, the evidence with it, and the same text a person reads."""
    told = owed.transition
    return {
        "format": FORMAT,
        "message_id": owed.message_id,
        "thread_id": thread_id(owed.notice, plant.site.id),
        "site": {"id": plant.site.id, "name": plant.site.name, "timezone": plant.site.timezone},
        "person": owed.notice.person,
        "alarm": {
            "condition": told.condition,
            "occurrence": told.occurrence,
            "step": told.step,
            "cause": told.cause,
            "state": told.state.value,
            "priority": told.priority,
            "rule_kind": told.rule_kind,
            "subject": told.subject,
            "place": place,
            "time": utc_time(told.time_ms),
            "since": utc_time(told.since_ms),
            "confidence": finite(told.confidence),
            "by": told.by,
            "comment": told.comment,
            "evidence": {name: finite(value) for name, value in told.evidence.items()},
        },
        "first_line": first_line,
        "text": text,
    }


def finite(value: JsonValue) -> JsonValue:
    """The value with null for what JSON has no number for (RFC 8259, 6: no infinity, no NaN)."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, list):
        return [finite(item) for item in value]
    if isinstance(value, dict):
        return {name: finite(item) for name, item in value.items()}
    return value

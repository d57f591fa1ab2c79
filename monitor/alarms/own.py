"""Alarms about Goodwater itself: a rule that failed, a store that was set aside."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from monitor.alarms.alarm import Alarm, Treatment
from monitor.alarms.flood import BURST
from monitor.readings import AlarmState, Evidence, Finding, StoreReplaced, Wording

RULE_FAILED = "rule-failed"
STORE_SET_ASIDE = "store-set-aside"

FAILED_TREATMENT = Treatment(RULE_FAILED, "medium")
SET_ASIDE_TREATMENT = Treatment(STORE_SET_ASIDE, "high")


def stays(alarm: Alarm) -> bool:
    """Whether an alarm that is no rule's stands on its own: one of a failed rule as long as the rule rests,
    one of the store until somebody has acknowledged it."""
    if alarm.rule_kind == STORE_SET_ASIDE:
        return alarm.state == AlarmState.UNACKNOWLEDGED
    return alarm.rule_kind == RULE_FAILED


def rule_failed(rule: str, what: str, time_ms: int, *, holds: bool = True) -> Finding:
    """The Finding that a rule has raised an exception and is switched off (or is tried again)."""
    return Finding(
        condition=f"{RULE_FAILED}/{rule}",
        subject=rule,
        holds=holds,
        time_ms=time_ms,
        since_ms=time_ms,
        confidence=0.99,
        evidence={"rule": rule, "error": what},
    )


def store_set_aside(event: StoreReplaced) -> Finding:
    """The Finding that the store's file was damaged and the watch began a new one."""
    return Finding(
        condition=STORE_SET_ASIDE,
        subject="store",
        holds=True,
        time_ms=event.time_ms,
        since_ms=event.time_ms,
        confidence=0.99,
        evidence={"file": event.file, "found": event.detail},
    )


def _text(evidence: Evidence, key: str) -> str:
    return str(evidence.get(key) or "")


def _of_failed_rule(evidence: Evidence) -> Wording:
    """What a failed rule means: one judgement less, everything else goes on."""
    rule = _text(evidence, "rule")
    return Wording(
        first_line=f"Rule {rule} failed and is switched off",
        facts=(("error", _text(evidence, "error")),),
        meaning=f"A fault in Goodwater itself: nothing is judged by rule {rule} until it is mended. "
        "All other rules go on.",
        steps=(
            "Check by hand what this rule watches until it runs again.",
            "Report the error text above. The rule is tried again after a day or a stop of two minutes.",
        ),
    )


def _of_store_set_aside(evidence: Evidence) -> Wording:
    """What a damaged store means: the watch goes on, what it remembered is in the file set aside."""
    file = _text(evidence, "file")
    return Wording(
        first_line="The store was damaged: set aside, a new one begun",
        facts=(("set aside as", file), ("found", _text(evidence, "found"))),
        meaning="The watch goes on and stores what comes. Earlier readings and alarms are in the file set "
        "aside, which is never deleted. What was learned begins anew: until then rules judge against fixed "
        "limits. Alarms that stood are raised again, with higher numbers; messages that were still waiting "
        "are in the old file.",
        steps=(
            "Look for the cause first: a failing disk or memory card, a power cut. A card that did this "
            "once is replaced.",
            "Where there is a backup: stop the watch, type goodwater restore with the site file and the "
            "backup, start it again. It brings back what was learned.",
            f"Without a backup: the same with {file} and --salvage takes what can still be read of it. "
            "Keep that file.",
        ),
    )


def _of_burst(evidence: Evidence) -> Wording:
    """Many alarms that were told in one message; the message itself says more (`notify/burst.py`)."""
    total = _text(evidence, "total")
    return Wording(f"{total} alarms at once, told in one message", (), "They are listed each by itself.", ())


WORDINGS: Mapping[str, Callable[[Evidence], Wording]] = {
    RULE_FAILED: _of_failed_rule,
    STORE_SET_ASIDE: _of_store_set_aside,
    BURST: _of_burst,
}

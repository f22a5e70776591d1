"""What the keeper did of late, and what that means for judging."""

from underlid.model import LogEntry, LogKind
from underlid.rules.situation import Situation

HOUR_MS = 3_600_000
WORK: tuple[LogKind, ...] = ("wetted", "turned", "bedding", "harvest", "split", "lid")


def last_entry(situation: Situation, *kinds: LogKind) -> LogEntry | None:
    """The latest log entry of one of the kinds, up to now."""
    for entry in reversed(situation.log):
        if entry.kind in kinds and entry.at_ms <= situation.now_ms:
            return entry
    return None


def entries(situation: Situation, *kinds: LogKind) -> list[LogEntry]:
    return [e for e in situation.log if e.kind in kinds and e.at_ms <= situation.now_ms]


def hours_ago(situation: Situation, time_ms: int) -> float:
    return (situation.now_ms - time_ms) / HOUR_MS


def settled_ms(situation: Situation) -> int:
    """When readings mean something again after the latest work on the bin; 0 when there was none."""
    entry = last_entry(situation, *WORK)
    if entry is None or (entry.kind == "lid" and entry.what == "closed"):
        return 0
    wait_h = situation.limits["lid_open_h" if entry.kind == "lid" else "settle_h"]
    return entry.at_ms + round(wait_h * HOUR_MS)


def disturbed(situation: Situation) -> str:
    """Why a reading out of bounds means nothing yet, or '' (suppression by design, in ISA-18.2's words)."""
    if settled_ms(situation) <= situation.now_ms:
        return ""
    entry = last_entry(situation, *WORK)
    lid = entry is not None and entry.kind == "lid"
    return "the lid is open" if lid else "it is settling after the work on it"

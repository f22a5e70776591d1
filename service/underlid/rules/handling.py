"""What the keeper did of late, and what that means for judging."""

from underlid.model import LogEntry, LogKind
from underlid.rules.situation import Situation

HOUR_MS = 3_600_000
WORK: tuple[LogKind, ...] = ("wetted", "turned", "bedding", "harvest", "split")


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
    """When readings mean something again after the latest work on the bin and an open lid; 0 when there was none."""
    return max(_rested_ms(situation), _lid_ms(situation))


def disturbed(situation: Situation) -> str:
    """Why a reading out of bounds means nothing yet, or '' (suppression by design, in ISA-18.2's words)."""
    if _lid_ms(situation) > situation.now_ms:
        return "the lid is open"
    return "it is settling after the work on it" if _rested_ms(situation) > situation.now_ms else ""


def _rested_ms(situation: Situation) -> int:
    work = last_entry(situation, *WORK)
    return work.at_ms + round(situation.limits["settle_h"] * HOUR_MS) if work is not None else 0


def _lid_ms(situation: Situation) -> int:
    lid = last_entry(situation, "lid")
    if lid is None or lid.what == "closed":
        return 0
    return lid.at_ms + round(situation.limits["lid_open_h"] * HOUR_MS)

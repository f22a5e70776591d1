"""What the rules make of a log entry: the same facts that they read from it, said the other way round."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from underlid.model import LogEntry, LogKind, SubjectKind
from underlid.rules.feed_heating import FEED_WORKS_H
from underlid.rules.handling import HOUR_MS, WORK

_WETS_OR_MIXES: tuple[LogKind, ...] = ("wetted", "turned", "bedding", "split")
_ANSWERS: Mapping[str, tuple[LogKind, ...]] = {
    "top-drying": ("wetted", "turned"),
    "too-wet": ("bedding", "turned", "split"),
    "feed-heating": ("turned",),
    "too-warm": ("turned", "wetted"),
}


@dataclass(frozen=True, slots=True)
class Effect:
    """What an entry does to the judging, until `at_ms` (`settles`, `lid-open`, `heat-watched`) or from then on."""

    effect: Literal["settles", "lid-open", "dries-anew", "heat-watched", "tub-anew", "worm-mass"]
    at_ms: int


def effects(entry: LogEntry, limits: Mapping[str, float]) -> list[Effect]:
    """Everything that an entry does to the judging of its subject; nothing where no rule reads it."""
    if entry.subject.kind is SubjectKind.FEED_STORE:
        return [Effect("tub-anew", entry.at_ms)] if entry.kind == "fed" else []
    if entry.subject.kind is not SubjectKind.BIN:
        return []
    found = []
    if entry.kind == "lid":
        if entry.what != "closed":
            found.append(Effect("lid-open", entry.at_ms + round(limits["lid_open_h"] * HOUR_MS)))
    elif entry.kind in WORK:
        found.append(Effect("settles", entry.at_ms + round(limits["settle_h"] * HOUR_MS)))
    if entry.kind in _WETS_OR_MIXES:
        found.append(Effect("dries-anew", entry.at_ms + round(limits["settle_h"] * HOUR_MS)))
    if entry.kind == "fed":
        found.append(Effect("heat-watched", entry.at_ms + round(FEED_WORKS_H * HOUR_MS)))
    if entry.kind == "worms":
        found.append(Effect("worm-mass", entry.at_ms))
    return found


def answers(rule: str, kind: LogKind) -> bool:
    """Whether a deed of a kind is what an alarm of a rule asks for."""
    return kind in _ANSWERS.get(rule, ())

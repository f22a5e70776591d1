"""Where the channels of a probe can sit, and where its names say that they do. Pure."""

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from underlid.model import Channel, Position, Quantity, Subject, SubjectKind

# What makes sense where; batteries and signals belong to the probe alone.
FITS = {
    SubjectKind.BIN: (Position.TOP, Position.CORE, Position.BASE, Position.POCKET),
    SubjectKind.FEED_STORE: (Position.FEED,),
    SubjectKind.PLACE: (Position.AIR,),
}
# All that a channel has said belongs where it is put first, what is still on its way among it.
EVER_MS = 0
_MEASURED = {
    Position.AIR: {Quantity.TEMPERATURE, Quantity.HUMIDITY},
    Position.FEED: {Quantity.TEMPERATURE},
}
_IN_BEDDING = {Quantity.TEMPERATURE, Quantity.MOISTURE, Quantity.MOISTURE_RAW}
_WORDS = {
    Position.TOP: "top surface upper oben",
    Position.CORE: "core middle mid centre center mitte kern",
    Position.BASE: "base bottom lower unten boden",
    Position.POCKET: "pocket tasche",
    Position.AIR: "air ambient room outdoor outdoors outside luft",
    Position.FEED: "feed scraps futter",
}
_POSITIONS = {word: position for position, words in _WORDS.items() for word in words.split()}


@dataclass(frozen=True, slots=True)
class Suggestion:
    """Where a probe's names say that it sits: these channels there, and the names that say so."""

    subject: Subject
    position: Position
    channels: tuple[str, ...]
    because: tuple[str, ...]


def measured_at(position: Position) -> set[Quantity]:
    return _MEASURED.get(position, _IN_BEDDING)


def position_in(name: str) -> Position | None:
    """The position that a channel's name speaks of, as in 'top-temp'."""
    return next((_POSITIONS[word] for word in _parts(name) if word in _POSITIONS), None)


def suggest(
    probe_id: str, name: str, unplaced: Sequence[Channel], things: Mapping[Subject, str]
) -> Suggestion | None:
    """Where the unplaced channels of a probe belong by the names of the farm's things; None: they don't tell.

    The probe's own names come first, then those of its channels (of a device with several probes). Where the
    channels reach into several layers, the first of these from the top.
    """
    can_sit = [c for c in unplaced if c.quantity in _IN_BEDDING | measured_at(Position.AIR)]
    for words in dict.fromkeys((name, probe_id)):
        if found := _at(words, can_sit, things):
            return found
    by_channel = [found for c in can_sit if (found := _at(c.name, [c], things))]
    same = [
        s for s in by_channel if (s.subject, s.position) == (by_channel[0].subject, by_channel[0].position)
    ]
    names = tuple(name for s in same for name in s.channels)
    return replace(same[0], channels=names, because=names) if same else None


def _at(words: str, channels: Sequence[Channel], things: Mapping[Subject, str]) -> Suggestion | None:
    parts = _parts(words)
    layers = {position_in(channel.name) for channel in channels}
    told = layers | {position_in(words)}
    named = _named(parts, {s: name for s, name in things.items() if told & set(FITS[s.kind])})
    named = named or _named(parts, things)
    if named is None:
        return None
    subject, used = named
    positions = FITS[subject.kind]
    # A word that is part of the thing's own name says nothing of the position.
    said = position_in(" ".join(part for part in parts if part not in used))
    if said is None and not layers & set(positions):
        said = positions[0]  # the only one of a feed store or a place; in a bin where drying shows first
    for position in positions:
        fits = [c for c in channels if c.quantity in measured_at(position)]
        chosen = [c.name for c in fits if position_in(c.name) is position]
        if said is position:
            chosen = [c.name for c in fits if position_in(c.name) in (None, position)]
        if chosen and said in (None, position):
            speak = [name for name in chosen if position_in(name) is position and name != words]
            return Suggestion(subject, position, tuple(chosen), (words, *speak))
    return None


def _named(parts: Sequence[str], things: Mapping[Subject, str]) -> tuple[Subject, set[str]] | None:
    """The one thing that these words name, in full or else by a word that no other thing has."""
    full = [
        (len(own), subject, set(own))
        for subject, name in things.items()
        for own in (_parts(subject.id), _parts(name))
        if own and _within(own, parts)
    ]
    if full:
        most = max(length for length, *_ in full)
        longest = {subject: used for length, subject, used in full if length == most}
        return next(iter(longest.items())) if len(longest) == 1 else None
    known = {subject: {*_parts(subject.id), *_parts(name)} for subject, name in things.items()}
    spoken = {part for part in parts if len(part) >= 3 and part.isalpha()}
    hits = {
        subject: shared
        for subject, own in known.items()
        if (shared := {p for p in own & spoken if sum(p in other for other in known.values()) == 1})
    }
    return next(iter(hits.items())) if len(hits) == 1 else None


def _within(own: Sequence[str], parts: Sequence[str]) -> bool:
    return any(list(parts[i : i + len(own)]) == list(own) for i in range(len(parts) - len(own) + 1))


def _parts(name: str) -> list[str]:
    """'Café-Tub2' as cafe, tub, 2."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.findall(r"[a-z]+|\d+", plain)


def fitting(channels: Iterable[Channel], position: Position) -> list[Channel]:
    """The channels that fit a position and whose names don't speak of another."""
    fits = measured_at(position)
    return [c for c in channels if c.quantity in fits and position_in(c.name) in (None, position)]

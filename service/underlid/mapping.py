"""Mappings of other devices' topics: which topic, which part of the payload, and what that part is."""

import math
import re
from collections.abc import Iterator, Sequence
from fractions import Fraction
from functools import cached_property
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, Field, field_validator, model_validator

from underlid.quantities import kept_as

PROBE_TOPICS = "underlid/probe/#"
PROBE_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,127}")
_CHANNEL = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_PLACE = re.compile(r"\{(\d+)\}")
_ESCAPE = re.compile(r"~(?![01])")
_INDEX = re.compile(r"0|[1-9][0-9]*")


def _rational(value: Any) -> Any:
    """A number, also as the text of a fraction, such as "5/9" (RFC 8798 section 3 writes them so)."""
    try:
        return float(Fraction(value)) if isinstance(value, str) else value
    except (ValueError, ZeroDivisionError, OverflowError) as error:
        raise ValueError(f"'{value}' is not a number or a fraction such as \"5/9\"") from error


Rational = Annotated[float, BeforeValidator(_rational), Field(allow_inf_nan=False)]


class TopicMapping(BaseModel, frozen=True, extra="forbid"):
    """One value in the messages of another device's topic. `probe` and `channel` may use `{1}`, `{2}` for
    what stands in the place of the topic filter's wildcards."""

    topic: str
    pointer: str = ""
    probe: str
    channel: str
    unit: str
    scale: Rational = 1.0
    offset: Rational = 0.0

    @field_validator("topic")
    @classmethod
    def _filter(cls, value: str) -> str:
        levels = value.split("/")
        for number, level in enumerate(levels, start=1):
            if ("+" in level and level != "+") or ("#" in level and (level != "#" or number < len(levels))):
                raise ValueError(f"'{value}' is not a topic filter: + fills a level, # is the last one")
        if not value or "\0" in value or len(value.encode()) > 65_535:
            raise ValueError("a topic filter is 1 to 65535 bytes long, for example shed/+/sensors")
        if overlap(value, PROBE_TOPICS):
            raise ValueError(
                f"'{value}' takes in {PROBE_TOPICS}, which needs no mapping; "
                "begin it with a name, for example shed/+/sensors"
            )
        return value

    @field_validator("pointer")
    @classmethod
    def _pointer(cls, value: str) -> str:
        pointer_tokens(value)
        return value

    @model_validator(mode="after")
    def _fits(self) -> "TopicMapping":
        wildcards = sum(level in ("+", "#") for level in self.topic.split("/"))
        for name, pattern in (("probe", PROBE_ID), ("channel", _CHANNEL)):
            text = getattr(self, name)
            if any(not 1 <= int(place) <= wildcards for place in _PLACE.findall(text)):
                raise ValueError(
                    f"{name} = '{text}' asks for more than the {wildcards} wildcards of '{self.topic}'"
                )
            if not pattern.fullmatch(_PLACE.sub("x", text)):
                raise ValueError(
                    f"{name} = '{text}' holds more than A-Z a-z 0-9 . _ - and {{1}}, or is too long"
                )
        kept_as(self.channel, self.unit)
        if not self.scale:
            raise ValueError("scale = 0 would make every value the same")
        return self

    @cached_property
    def _pattern(self) -> re.Pattern[str]:
        return re.compile(_regex(self.topic), re.DOTALL)

    def takes(self, topic: str) -> bool:
        return self._pattern.fullmatch(topic) is not None

    def names(self, topic: str) -> tuple[str, str]:
        """The probe and channel for a message on a topic that it takes.

        Raises ValueError where what stands for a wildcard can't be part of a name.
        """
        found = self._pattern.fullmatch(topic)
        assert found is not None
        parts = [part or "" for part in found.groups()]
        probe, channel = (
            _PLACE.sub(lambda place: parts[int(place[1]) - 1], text) for text in (self.probe, self.channel)
        )
        if not PROBE_ID.fullmatch(probe):
            raise ValueError(f"'{probe[:80]}' can't be a probe's id, which holds A-Z a-z 0-9 . _ - only")
        if not _CHANNEL.fullmatch(channel):
            raise ValueError(
                f"'{channel[:80]}' can't be a channel's name, which holds A-Z a-z 0-9 . _ - only"
            )
        return probe, channel

    def value(self, raw: float) -> float:
        """A raw value in `unit`: times `scale`, plus `offset`."""
        value = raw * self.scale + self.offset
        return value if math.isfinite(value) else math.nan


def pointer_tokens(pointer: str) -> list[str]:
    """The reference tokens of a JSON Pointer (RFC 6901). Raises ValueError for what is none."""
    if pointer and not pointer.startswith("/"):
        raise ValueError(f"'{pointer}' is not a JSON Pointer: it is empty, or begins with /, as /temperature")
    if _ESCAPE.search(pointer):
        raise ValueError(f"'{pointer}' is not a JSON Pointer: ~ is written ~0, and / in a name ~1")
    return [token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:]]


def point(document: Any, pointer: str) -> Any:
    """What a JSON Pointer points at (RFC 6901 section 4). Raises LookupError where there is nothing."""
    for token in pointer_tokens(pointer):
        if isinstance(document, dict):
            document = document[token]
        elif isinstance(document, list) and _INDEX.fullmatch(token):
            document = document[int(token)] if len(token) < 10 else None
        else:
            raise LookupError(token)
    return document


def subscriptions(filters: Sequence[str]) -> tuple[str, ...]:
    """Topic filters of which no two take the same topic, and that together take all that `filters` take.

    A broker may send a message once for each filter it matches, so where two overlap, one that takes in
    both stands for them. Raises ValueError where that would take in the probes' own topics.
    """
    apart: list[str] = []
    for one in filters:
        while other := next((other for other in apart if overlap(one, other)), None):
            apart.remove(other)
            one = _both(one, other)
            if overlap(one, PROBE_TOPICS):
                raise ValueError(
                    f"the topics of mappings overlap in a way that only {one} takes in; begin them with names"
                )
        apart.append(one)
    return tuple(apart)


def overlap(one: str, other: str) -> bool:
    """Whether some topic matches both filters (MQTT 5.0 section 4.7)."""
    first, second = one.split("/"), other.split("/")
    if (first[0] in ("+", "#") and other.startswith("$")) or (
        second[0] in ("+", "#") and one.startswith("$")
    ):
        return False
    for a, b in zip(first, second, strict=False):
        if "#" in (a, b):
            return True
        if a != b and "+" not in (a, b):
            return False
    longer, length = (first, len(second)) if len(first) > len(second) else (second, len(first))
    return len(first) == len(second) or longer[length] == "#"  # `a/#` takes `a` too


def _both(one: str, other: str) -> str:
    """The narrowest filter that takes all that two overlapping ones take."""
    first, second = one.split("/"), other.split("/")

    def levels() -> Iterator[str]:
        for a, b in zip(first, second, strict=False):
            if "#" in (a, b):
                yield "#"
                return
            yield a if a == b else "+"
        if len(first) != len(second):
            yield "#"

    return "/".join(levels())


def _regex(topic_filter: str) -> str:
    """A filter as a regular expression whose groups are its wildcards."""
    levels = topic_filter.split("/")
    rest = ""
    if levels[-1] == "#":
        levels.pop()
        rest = "(?:/(.*))?" if levels else "(.*)"
    start = r"(?!\$)" if topic_filter[0] in "+#" else ""
    return start + "/".join("([^/]*)" if level == "+" else re.escape(level) for level in levels) + rest

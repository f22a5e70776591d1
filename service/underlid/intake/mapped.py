"""Messages on the topics of other devices: by the mappings in the settings, values out of their payloads."""

import contextlib
from collections.abc import Sequence
from typing import Any

from underlid.intake.sample import Sample, is_number, sample
from underlid.mapping import TopicMapping, point


def decode_mapped(
    topic: str, body: Any, received_ms: int, mappings: Sequence[TopicMapping]
) -> tuple[list[tuple[str, Sample]], list[str]]:
    """The readings, as probe and sample, that the topic's mappings find in a payload; and what is wrong.

    A part that is missing is no fault as long as another mapping of the same topic finds its own: a device
    may speak of one thing at a time. All are dated by arrival.
    """
    readings: list[tuple[str, Sample]] = []
    problems: list[str] = []
    missing: list[str] = []
    for mapping in mappings:
        try:
            probe_id, channel = mapping.names(topic)
            raw = _number(point(body, mapping.pointer), mapping.pointer)
            readings.append((probe_id, sample(channel, mapping.unit, mapping.value(raw), 0, received_ms)))
        except LookupError:
            missing.append(f"nothing is at {mapping.pointer} in the payload")
        except ValueError as error:
            problems.append(str(error))
    return readings, problems if readings else problems + missing


def _number(value: Any, pointer: str) -> float:
    """A number, or the text of one, which many devices send."""
    if isinstance(value, str):
        with contextlib.suppress(ValueError):
            value = float(value)
    if not is_number(value):
        raise ValueError(
            f"what is at {pointer} is no finite number" if pointer else "the payload is no number"
        )
    return float(value)

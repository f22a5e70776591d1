"""The plain JSON object of numbers: units are told by the names."""

from collections.abc import Callable
from typing import Any

from underlid.intake.sample import Decoded, Sample, is_number, refused, sample
from underlid.quantities import unit_by_name


def decode_object(
    body: dict[str, Any], received_ms: int, unit_before: Callable[[str], str | None]
) -> Decoded:
    """The samples of an object such as {"temp": 21.4, "t": 1764000000}.

    `unit_before` gives the unit in which a channel of this probe was first heard.
    """
    samples: list[Sample] = []
    problems: list[str] = []
    time_s = body.get("t", 0)
    if not is_number(time_s):
        return refused("'t' is no number; give seconds since 1970, or leave it out")
    for name, value in body.items():
        if name == "t":
            continue
        try:
            if not is_number(value):
                raise ValueError(f"'{name}' is no finite number")
            samples.append(
                sample(name, unit_by_name(name, value, unit_before(name)), value, time_s, received_ms)
            )
        except ValueError as error:
            problems.append(str(error))
    if not samples and not problems:
        problems.append("holds a time and no value")
    return Decoded(tuple(samples), tuple(problems))

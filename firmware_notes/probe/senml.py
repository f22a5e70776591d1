"""Readings as SenML packs (RFC 8428, JSON) that fit into a message."""

import json

MAX_BYTES = 4096
UNITS = {
    "temp": "Cel",
    "moist": "mV",
    "rh": "%RH",
    "batt": "V",
    "rssi": "dBm",
    "faults": "count",
    "lost": "count",
    "guessed": "count",
}


def unit(name: str) -> str:
    """The unit of a channel by its last word, as in 'temp', 'pocket-temp' or 'temp2'."""
    return UNITS[name.split("-")[-1].rstrip("0123456789")]


def base_name(mac: bytes) -> str:
    """A device's own name by RFC 9039: its 48-bit address as EUI-64, with the separator before a channel."""
    digits = mac.hex()
    return "urn:dev:mac:" + digits[:6] + "fffe" + digits[6:] + ":"


def pack(base: str, readings: list, max_bytes: int = MAX_BYTES) -> tuple:
    """As many of the oldest readings as fit: (the pack's bytes, how many readings it holds).

    A reading is (time_s, {channel: value}); the time counts from 1970, or back from now when it is 0 or less.
    At least one reading is packed, however large.
    """
    parts = []
    size = 1
    count = 0
    for time_s, values in readings:
        lines = _records(base if not parts else "", time_s, values)
        more = sum(len(line) + 1 for line in lines)
        if parts and size + more > max_bytes:
            break
        parts += lines
        size += more
        count += 1
    return ("[" + ",".join(parts) + "]").encode(), count


def _records(base: str, time_s: int, values: dict) -> list:
    """One SenML record a value; the base time stands once, in the first, and holds for those after it."""
    lines = []
    for name in sorted(values):
        record = {"n": name, "u": unit(name), "v": values[name]}
        if not lines:
            record["bt"] = time_s
            if base:
                record["bn"] = base
        lines.append(json.dumps(record, separators=(",", ":")))
    return lines

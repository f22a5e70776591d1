"""A cell's volts behind a divider."""

from moisture import millivolts

SAMPLES = 16


def volts(samples_uv: list, upper_ohm: int, lower_ohm: int) -> float:
    """The cell's volts from microvolts across the lower resistor. Raises ValueError out of range."""
    return round(millivolts(samples_uv) * (upper_ohm + lower_ohm) / lower_ohm / 1000, 3)

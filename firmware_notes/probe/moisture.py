"""A capacitive moisture probe's millivolts from many samples of a noisy converter."""

SAMPLES = 64
SETTLE_MS = 300  # from power to a steady output; common practice, no source
# Where the ESP32's converter holds its accuracy at the widest range (Espressif, ADC page of ESP-IDF 4.4).
LOWEST_MV = 150
HIGHEST_MV = 2450


def median(samples: list) -> float:
    ordered = sorted(samples)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2


def millivolts(samples_uv: list) -> int:
    """The median, in millivolts. Raises ValueError outside the range in which the converter is accurate."""
    mv = round(median(samples_uv) / 1000)
    if not LOWEST_MV <= mv <= HIGHEST_MV:
        raise ValueError(f"{mv} mV is outside {LOWEST_MV} to {HIGHEST_MV} mV")
    return mv

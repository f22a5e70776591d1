"""How long cells last: mean current of a probe that wakes, reads, now and then sends, and sleeps. Pure.

Run it to print the table of the README: python firmware_notes/budget.py
"""

USABLE = (
    0.8  # of a cell's nominal charge; the rest goes to age, cold and the cut-off (common practice, no source)
)
READ_S, READ_MA = 1.5, 45.0  # waking and reading with the radio off; from memory, measure your own
SEND_S, SEND_MA = 5.0, 80.0  # joining Wi-Fi and sending; from memory, measure your own

# What draws how much asleep, divider included; from memory, and typical of such boards (common practice, no source).
SLEEPERS = (
    ("bare module, thrifty regulator", 0.013),
    ("low-power board", 0.1),
    ("development board, lamp and USB chip on", 8.0),
)
RHYTHMS = ((900, 1), (900, 4), (3600, 1))  # seconds between wakes, wakes to a sending
CELL_MAH = 2200


def mean_ma(phases: list[tuple[float, float]], every_s: float, sleep_ma: float) -> float:
    """Mean current in mA of `phases` (mA, s) once `every_s`, asleep in between. Raises ValueError if they overrun."""
    awake_s = sum(s for _, s in phases)
    if awake_s > every_s:
        raise ValueError(f"{awake_s} s awake do not fit into {every_s} s")
    return (sum(ma * s for ma, s in phases) + sleep_ma * (every_s - awake_s)) / every_s


def life_days(capacity_mah: float, mean: float, usable: float = USABLE) -> float:
    """Days that a charge of `capacity_mah` lasts at a mean current in mA."""
    return capacity_mah * usable / mean / 24


def probe_ma(every_s: float, send_every: int, sleep_ma: float) -> float:
    """Mean current in mA of a probe that reads every `every_s` and sends each `send_every`-th time."""
    phases = [(READ_MA, READ_S * send_every), (SEND_MA, SEND_S)]
    return mean_ma(phases, every_s * send_every, sleep_ma)


def table() -> str:
    """The README's table, in Markdown."""
    rows = ["| board | asleep | reads every | sends every | mean | days |", "| --- " * 6 + "|"]
    for name, sleep_ma in SLEEPERS:
        for every_s, send_every in RHYTHMS:
            mean = probe_ma(every_s, send_every, sleep_ma)
            days = life_days(CELL_MAH, mean)
            rhythm = f"{every_s // 60} min | {every_s * send_every // 60} min"
            rows.append(f"| {name} | {sleep_ma:g} mA | {rhythm} | {mean:.2f} mA | {days:.0f} |")
    return "\n".join(rows)


if __name__ == "__main__":
    print(table())

"""What judging one bin costs, with a week of readings every ten minutes: prints CPU milliseconds and their ratio.

python -m tests.rules.how_fast
"""

import time
from collections.abc import Mapping, Sequence

from underlid.model import LogEntry, Position, Quantity, SubjectKind
from underlid.rules.catalogue import rules_for
from underlid.rules.condition import condition
from underlid.rules.limits import effective_limits
from underlid.rules.situation import Sensor, Situation

from .scenario import ALDER, HOUR_MS, SHED, START_MS, SUBJECT, UNITS, series

NOW_MS = START_MS + 168 * HOUR_MS
LIMITS = effective_limits("eisenia-fetida")
CALM = {
    "top moisture": "76 to 74 over 169h",
    "top temperature": "20 for 169h",
    "core temperature": "21 to 20 over 169h",
    "core moisture": "77 for 169h",
}
BUSY = {
    "top moisture": "80 to 67 over 169h",
    "top temperature": "20 for 169h",
    "core temperature": "21 to 20 over 169h",
    "core moisture": "74 for 169h",
    "base temperature": "19 for 169h",
    "base moisture": "80 for 169h",
    "pocket temperature": "20 for 159h; heats 20 to 40 in 14h for 20h",
    "air temperature": "18 to 20 over 169h",
    "air humidity": "60 for 169h",
}
FED = (LogEntry(1, START_MS + 159 * HOUR_MS, SUBJECT, "fed", amount_kg=1.2, what="grounds"),)


def cost_ms(specs: Mapping[str, str], log: Sequence[LogEntry], rounds: int = 40) -> float:
    known = []
    for number, (key, spec) in enumerate(specs.items(), 1):
        position, quantity = key.split()
        readings = series({"is": spec, "noise": 0.1}, number).until(NOW_MS)
        known.append(
            Sensor(number, Position(position), Quantity(quantity), UNITS[Quantity(quantity)], readings)
        )
    air = [s for s in known if s.position is Position.AIR]
    bedding = [s for s in known if s.position is not Position.AIR]

    def once() -> None:
        situation = Situation(SUBJECT, "Alder", NOW_MS, SHED, ALDER, LIMITS, bedding, air, log)
        condition(situation, [rule.judge(situation) for rule in rules_for(SubjectKind.BIN)])

    once()
    started = time.process_time()
    for _ in range(rounds):
        once()
    return (time.process_time() - started) / rounds * 1000.0


def main() -> None:
    calm, busy = cost_ms(CALM, ()), cost_ms(BUSY, FED)
    print(
        f"4 channels, calm: {calm:.1f} ms; 9 channels, fed and drying: {busy:.1f} ms; ratio {busy / calm:.1f}"
    )


if __name__ == "__main__":
    main()

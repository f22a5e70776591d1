"""Print how long the demonstration's past takes to compute: seconds of processor time and readings a second.

Run from the root of the repository: `python tests/bench/demo_history.py [DAYS ...]`.
"""

import sys
import time

from underlid.demo.history import play_history


def main() -> None:
    for days in [float(word) for word in sys.argv[1:]] or [21.0, 90.0]:
        wall, cpu = time.perf_counter(), time.process_time()
        history = play_history(1_790_000_000_000, days)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        count = sum(len(series) for series in history.readings.values())
        print(
            f"{days:g} days: {cpu:.2f} s of one core ({wall:.2f} s by the wall), {count:,} readings, "
            f"{count / cpu:,.0f}/s, {days * 86400 / cpu:,.0f} times real time"
        )


if __name__ == "__main__":
    main()

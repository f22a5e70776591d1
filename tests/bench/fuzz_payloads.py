"""A million payloads as no probe should send them: any exception is a fault; prints what they became.

python tests/bench/fuzz_payloads.py [PAYLOADS] [PROCESSES] [SEED]
"""

import collections
import math
import os
import random
import sys
import time
import traceback
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "intake"))
from payloads import MAPPINGS, NOW_MS, payload

from underlid.intake.decode import read_message
from underlid.intake.sample import AHEAD_S, OLDEST_S

CHUNK = 10_000


def chunk(seed: int) -> tuple[collections.Counter[str], float, tuple[float, bytes], list[str]]:
    """Counts of what the payloads of one seed became, seconds spent decoding, the slowest, and the faults."""
    chance = random.Random(seed)
    counts: collections.Counter[str] = collections.Counter()
    faults: list[str] = []
    spent_s, slowest = 0.0, (0.0, b"")
    for _ in range(CHUNK):
        topic, body = payload(chance)
        start_s = time.thread_time()
        try:
            said = read_message(topic, body, NOW_MS, MAPPINGS)
        except Exception:
            counts["exceptions"] += 1
            faults.append(f"{topic} {body[:200]!r}\n{traceback.format_exc()}")
            continue
        took_s = time.thread_time() - start_s
        spent_s += took_s
        slowest = max(slowest, (took_s, body))
        counts["payloads"] += 1
        counts["readings"] += len(said.readings)
        counts["with readings"] += bool(said.readings)
        counts["with a reason"] += bool(said.problems)
        counts["statuses"] += said.status is not None
        counts["asked for by nobody"] += not (said.readings or said.problems or said.status)
        for _, sample in said.readings:
            if (
                not math.isfinite(sample.value)
                or not -OLDEST_S <= sample.time_ms / 1000 - NOW_MS / 1000 <= AHEAD_S
            ):
                counts["exceptions"] += 1
                faults.append(f"{topic} {body[:200]!r} gave {sample}")
    return counts, spent_s, slowest, faults


def main(payloads: int = 1_000_000, processes: int = os.cpu_count() or 1, seed: int = 1) -> int:
    total: collections.Counter[str] = collections.Counter({"exceptions": 0})
    spent_s, slowest = 0.0, (0.0, b"")
    started_s = time.monotonic()
    with ProcessPoolExecutor(processes) as pool:
        seeds = range(seed * 1_000_000, seed * 1_000_000 + math.ceil(payloads / CHUNK))
        for counts, seconds, slow, faults in pool.map(chunk, seeds):
            total += collections.Counter() | counts
            spent_s += seconds
            slowest = max(slowest, slow)
            for fault in faults[:3]:
                print(fault)
    total["exceptions"] += 0
    for name in sorted(total):
        print(f"{total[name]:>10} {name}")
    each_us = spent_s / max(total["payloads"], 1) * 1e6
    print(f"{each_us:.1f} us a payload; slowest {slowest[0] * 1e3:.1f} ms ({len(slowest[1])} bytes)")
    print(
        f"{time.monotonic() - started_s:.0f} s in all with {processes} processes, making the payloads included"
    )
    return int(bool(total["exceptions"]))


if __name__ == "__main__":
    raise SystemExit(main(*map(int, sys.argv[1:])))

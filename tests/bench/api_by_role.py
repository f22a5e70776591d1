"""Every address asked by each role: `python tests/bench/api_by_role.py [CASES] [ROLE...]` (10,000; nobody and all).

Stops at a fault, at an answer that the OpenAPI document does not describe, and at one that somebody should not have
got. Printed per role: how many cases, and how often each status was answered.
"""

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.web.by_role import ask_everything
from tests.web.inside import running

from underlid.access.roles import Role


def main() -> None:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    for name in sys.argv[2:] or ["nobody", *Role]:
        role = None if name == "nobody" else Role(name)
        with tempfile.TemporaryDirectory() as folder, running(Path(folder), sign_in=True) as inside:
            began = time.perf_counter()
            answered = ask_everything(inside, role, cases)
            seconds = time.perf_counter() - began
        told = ", ".join(f"{status}: {count}" for status, count in sorted(answered.items()))
        print(f"{name:<8} {sum(answered.values()):>6} cases in {seconds:.0f} s   {told}", flush=True)


if __name__ == "__main__":
    main()

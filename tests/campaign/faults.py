"""The whole fault campaign: the disk fails at every single write, the power goes at every one, and 1000 kills."""

from __future__ import annotations

import os
import random
import sys

from tests.campaign import kill, nth_write

KILLS = 1000


def main(quick: bool) -> dict[str, object]:
    """Both campaigns whole; with `quick` both in short."""
    writes = nth_write.main(quick)
    seed = int(os.environ.get("WATERSIDE_SEED", "0")) or random.SystemRandom().randrange(1, 2**31)
    print(f"seed {seed} (WATERSIDE_SEED={seed} repeats the choices)", file=sys.stderr)
    kills = kill.campaign(12 if quick else KILLS, seed)
    passed = bool(writes["passed"]) and bool(kills["passed"])
    return {"passed": passed, "seed": seed, "writes": writes, "kills": kills}

"""The small readable sample of the demo: `python -m casebook.ops.demo.sample > FILE`."""

from __future__ import annotations

import json
import sys
from datetime import date

from casebook.ops.demo.generator import generate

SEED = 60
CASES = 60
TODAY = date(2025, 6, 30)


def write_sample() -> str:
    """Cases in the API's form, one a line, the oldest first."""
    world = generate(seed=SEED, shops=24, cases=CASES, today=TODAY)
    cases = sorted((case for _, case in world.cases), key=lambda case: case["opened_on"])
    # They come from many shops, and are imported into one.
    numbered = [case | {"shop_reference": f"{1001 + i}"} for i, case in enumerate(cases)]
    return "".join(json.dumps(case, ensure_ascii=False) + "\n" for case in numbered)


if __name__ == "__main__":
    sys.stdout.write(write_sample())

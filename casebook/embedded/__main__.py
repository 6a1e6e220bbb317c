"""`python -m casebook.embedded keep FOLDER`: the keeper of one data folder's servers."""

from __future__ import annotations

import sys
from pathlib import Path

from casebook.embedded.keeper import keep

if __name__ == "__main__":
    if len(sys.argv) != 3 or sys.argv[1] != "keep":
        sys.exit("usage: python -m casebook.embedded keep FOLDER")
    keep(Path(sys.argv[2]))

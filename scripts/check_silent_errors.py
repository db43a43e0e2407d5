"""
Put faults into projects and see which stay silent: ``python scripts/check_silent_errors.py``.

Prints a table of kinds by verdict (refused, unchanged, named) and every trial that was none of
these. Exit code 1 if there is one.
"""

import argparse
import sys
import tempfile
from pathlib import Path

import pandas as pd
from silent_errors import tried, unspoilt

RIGHT = ("refused", "unchanged", "named")


def main() -> int:
    """Exit code: 1 if a fault stayed silent."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--faults", type=int, default=300)
    words.add_argument("--first", type=int, default=0, help="seed of the first fault")
    asked = words.parse_args()
    rows = []
    with tempfile.TemporaryDirectory(prefix="silent-") as place:
        base = unspoilt(Path(place) / "base")
        for number in range(asked.first, asked.first + asked.faults):
            project, fault, verdict = tried(number, base, Path(place) / str(number))
            rows.append((fault.kind, verdict if verdict in RIGHT else "silent"))
            if verdict not in RIGHT:
                print(f"{number} {project}: {fault.kind}, {fault.where}: {verdict}", flush=True)
    every = pd.DataFrame(rows, columns=["fault", "verdict"])
    table = pd.crosstab(every["fault"], every["verdict"])
    print(table.to_string())
    return int("silent" in table)


if __name__ == "__main__":
    sys.exit(main())

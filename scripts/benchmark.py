"""
How long the work takes, and how it grows: ``python scripts/benchmark.py``.

Every case is seeded, and what is compared is run by turns in one go. Without options it takes a
few minutes with small cases; ``--full`` has the sizes that demands are made of, and takes hours
where ``--case`` does not choose.
"""

import argparse
import json
import os
import platform
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path

from benchmark_figures import Figure, as_json, heading, line
from benchmark_growth import growth
from benchmark_many import large_stands, many
from benchmark_parts import ground, volumes
from benchmark_sizes import FULL, QUICK, Sizes
from benchmark_stages import sample, stages
from benchmark_workers import workers

CASES: dict[str, Callable[[Sizes], Iterator[Figure]]] = {
    "sample": sample,
    "stages": stages,
    "many": many,
    "large-stands": large_stands,
    "growth": growth,
    "workers": workers,
    "volumes": volumes,
    "ground": ground,
}
"""Cases by the words that choose them."""


def main() -> None:
    """Run the cases asked for, print their figures and write them."""
    asked = _words().parse_args()
    sizes = FULL if asked.full else QUICK
    print(heading(), flush=True)
    found: list[Figure] = []
    for name in asked.case or CASES:
        for figure in CASES[name](sizes):
            found.append(figure)
            print(line(figure), flush=True)
            if asked.out:
                _write(found, sizes, asked.out)
    if not asked.full:
        print("Small cases: what is asked is asked of the sizes of --full.")


def _words() -> argparse.ArgumentParser:
    """Words of the command line."""
    words = argparse.ArgumentParser(description=__doc__)
    size = words.add_mutually_exclusive_group()
    size.add_argument("--quick", action="store_true", help="small cases (as without it)")
    size.add_argument("--full", action="store_true", help="the sizes that demands are made of")
    words.add_argument(
        "--case", nargs="+", choices=list(CASES), metavar="NAME", help=f"only: {', '.join(CASES)}"
    )
    words.add_argument("--out", type=Path, help="folder for benchmark.json")
    return words


def _write(found: list[Figure], sizes: Sizes, folder: Path) -> None:
    """Figures with their sizes and the machine."""
    content = {
        "machine": {
            "processors": os.cpu_count(),
            "system": platform.platform(),
            "python": platform.python_version(),
        },
        "sizes": asdict(sizes),
        "figures": as_json(found),
    }
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "benchmark.json").write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

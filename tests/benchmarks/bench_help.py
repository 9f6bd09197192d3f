"""How long does `kerfbeat --help` take beside a bare `python -c "import click"`?"""

import subprocess
import sys
import time
from statistics import median

from registry import benchmark

RUNS = 25


def _took_s(*command: str) -> float:
    began = time.perf_counter()
    subprocess.run([sys.executable, *command], stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - began


@benchmark("kerfbeat --help, against importing click", unit="times as long", at_most=2.0)
def help_time() -> float:
    """Median of pairs taken in turn, so that a busy machine slows both alike."""
    pairs = [(_took_s("-m", "kerfbeat", "--help"), _took_s("-c", "import click")) for _ in range(RUNS)]
    return median(ours for ours, _ in pairs) / median(bare for _, bare in pairs)

"""How long do `drift` and `compare` take over a folder of thousands of logs, and how much memory?

    python tests/benchmarks/many_logs.py 5000          # logs of a quarter of an hour, 0.7 MB each

The logs are links to twenty simulated ones, one of a hundred is damaged.
"""

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

DIFFERENT = 20
MINUTES = 15


def main() -> None:
    """Make the folder, run both commands, print a table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    with tempfile.TemporaryDirectory(prefix="kerfbeat-many-") as name:
        folder = Path(name)
        for seed in range(DIFFERENT):
            words = ["simulate", "steady", "-o", folder / f"one-{seed}.log", "--seed", seed, "--set"]
            kerfbeat(*words, f"duration={MINUTES} min")
        for part in ("autumn", "spring"):
            (folder / part).mkdir()
        for number in range(count):
            place = folder / ("autumn" if number < count // 2 else "spring") / f"run-{number:05}.csv"
            if number % 100 == 99:
                place.write_bytes((folder / "one-0.log").read_bytes()[:5000] + b"\n\xff\n")
            else:
                place.hardlink_to(folder / f"one-{number % DIFFERENT}.log")
        size = sum(path.stat().st_size for path in folder.glob("*/*.csv"))
        sys.stdout.write(f"{count} logs, {size / 1e9:.2f} GB, {count // 100} of them damaged\n")
        for command in ("drift", "compare"):
            begun_s = time.monotonic()
            warned = kerfbeat(command, folder / "autumn", folder / "spring")
            seconds = time.monotonic() - begun_s
            largest = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
            named = sum("run-" in line for line in warned.splitlines())
            sys.stdout.write(
                f"{command:<8} {seconds:7.1f} s  {count / seconds:6.1f} logs/s  largest process {largest:.0f} MB  "
                f"{named} damaged named\n"
            )
            sys.stdout.flush()


def kerfbeat(*words: object) -> str:
    """Run a command to its end; what it said on standard error."""
    run = subprocess.run(
        [sys.executable, "-m", "kerfbeat", *map(str, words)], capture_output=True, text=True, check=True
    )
    return run.stderr


if __name__ == "__main__":
    main()

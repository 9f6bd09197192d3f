"""Which bytes break a reader?  Coverage-guided fuzzing, for as long as asked.

    python tests/fuzz/campaign.py decoder --for 600           # seconds; needs the package atheris

Inputs that reached new code lie in the folder it names; the small ones are worth adding to tests/data/fuzz/TARGET,
where tests/fuzz/test_corpora.py replays them.  A finding ends the run with its traceback and leaves its bytes there,
too: they go with the mending.
"""

import argparse
import sys
import tempfile
from pathlib import Path

KEPT = Path(__file__).resolve().parent.parent / "data" / "fuzz"
LARGEST_BYTES = 4096


def main() -> None:
    """Read the command line and fuzz."""
    import atheris

    with atheris.instrument_imports(include=["kerfbeat", "cobs", "tomllib"], enable_loader_override=False):
        from targets import TARGETS

    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("target", choices=TARGETS)
    words.add_argument("--for", dest="seconds", type=int, default=60)
    words.add_argument("--seed", type=int, default=1)
    asked = words.parse_args()
    kept = KEPT / asked.target
    kept.mkdir(parents=True, exist_ok=True)
    found = Path(tempfile.mkdtemp(prefix=f"kerfbeat-{asked.target}-"))
    sys.stdout.write(f"inputs in {found}\n")
    options = [
        f"-max_total_time={asked.seconds}", f"-seed={asked.seed}", f"-max_len={LARGEST_BYTES}", "-timeout=10",
        "-rss_limit_mb=2048", f"-artifact_prefix={found}/finding-", str(found), str(kept),
    ]  # fmt: skip
    atheris.Setup([sys.argv[0], *options], TARGETS[asked.target])
    atheris.Fuzz()


if __name__ == "__main__":
    main()

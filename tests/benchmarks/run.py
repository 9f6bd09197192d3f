"""Does the program keep what it promises in speed and size?  `python tests/benchmarks/run.py` prints a table.

Every `bench_*.py` beside this file is imported; each enters its functions into the list.  `--only WORD` runs those
whose name holds the word, `--strict` ends with status 1 if a promise is broken, `--json` prints a document.
"""

# ruff: noqa: T201  (a program that prints a table)

import argparse
import importlib
import json
import platform
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from registry import BENCHMARKS  # noqa: E402  (its folder is no package)


def main() -> int:
    """Run the benchmarks and print the table."""
    parser = argparse.ArgumentParser(description="Measure what the program promises in speed and size.")
    parser.add_argument("--only", default="", metavar="WORD", help="run those whose name holds the word")
    parser.add_argument("--strict", action="store_true", help="end with status 1 if a promise is broken")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    options = parser.parse_args()
    for module in sorted(HERE.glob("bench_*.py")):
        importlib.import_module(module.stem)
    chosen = [item for item in BENCHMARKS if options.only.lower() in item.name.lower()]
    if not chosen:
        parser.error(f'no benchmark has "{options.only}" in its name')
    if not options.json:
        print(f"Python {platform.python_version()}, {platform.system()} {platform.machine()}")
        print(f"{'what':<52} {'measured':>12} {'promised':>12}  unit")
    rows = []
    for item in chosen:
        began = time.perf_counter()
        value = item.run()
        rows.append(
            {
                "name": item.name,
                "value": value,
                "unit": item.unit,
                "promise": item.promise(),
                "kept": item.kept(value),
                "took_s": time.perf_counter() - began,
            }
        )
        if not options.json:
            mark = "" if item.kept(value) else "  BROKEN"
            print(f"{item.name:<52} {value:>12.4g} {item.promise():>12}  {item.unit}{mark}", flush=True)
    if options.json:
        print(json.dumps(rows, indent=2))
    return int(options.strict and not all(row["kept"] for row in rows))


if __name__ == "__main__":
    sys.exit(main())

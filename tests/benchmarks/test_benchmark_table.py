"""Does the one command run every benchmark that is promised, and print a table?"""

import json
import subprocess
import sys
from pathlib import Path

RUN = Path(__file__).with_name("run.py")


def _run(*words: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run([sys.executable, str(RUN), *words], capture_output=True, text=True, check=False)


def test_table_and_document_of_one_benchmark() -> None:
    table = _run("--only", "decoder")
    assert table.returncode == 0
    assert "decoder: bytes to edges" in table.stdout
    assert ">= 1e+06" in table.stdout
    (row,) = json.loads(_run("--only", "decoder", "--json").stdout)
    assert row["unit"] == "pulses/s"
    assert row["kept"] == (row["value"] >= 1e6)


def test_unknown_benchmark_is_refused() -> None:
    done = _run("--only", "no such thing")
    assert done.returncode == 2
    assert 'no benchmark has "no such thing" in its name' in done.stderr

"""What does a command say, and how much does it take, when memory and time are short?

Started as a program it imports what the commands need once, then forks for every line it reads: cheap, and each
command has a process of its own whose memory and time are limited by the system.
"""

import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

MEMORY_MORE_BYTES = 1 << 30  # beyond what the libraries have taken for themselves


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """`status` is negative when the system ended it, as for too much time."""

    status: int
    out: bytes
    err: str
    processor_s: float


class Commands:
    """Runs `kerfbeat` commands one after another, each within the limits."""

    def __init__(self, folder: Path, *, most_s: int) -> None:
        self._most_s = most_s
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        self._process = subprocess.Popen(
            [sys.executable, __file__], cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            env=environment,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(timeout=60)
        self._process.stdout.close()

    def run(self, *words: object) -> Outcome:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps([self._most_s, *map(str, words)]) + "\n")
        self._process.stdin.flush()
        told = json.loads(self._process.stdout.readline())
        return Outcome(
            status=told["status"], out=bytes.fromhex(told["out"]), err=told["err"], processor_s=told["processor_s"]
        )


def _taken_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()


def _child(words: list[str], most_s: int, out: int, err: int) -> None:
    os.dup2(out, 1)
    os.dup2(err, 2)
    most_bytes = _taken_bytes() + MEMORY_MORE_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (most_bytes, most_bytes))
    resource.setrlimit(resource.RLIMIT_CPU, (most_s, most_s + 5))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    signal.alarm(6 * most_s)  # also a command that waits for ever ends
    sys.argv = ["kerfbeat", *words]
    sys.stdout = os.fdopen(1, "w", encoding="utf-8")
    sys.stderr = os.fdopen(2, "w", encoding="utf-8")
    sys.stdin = Path(os.devnull).open(encoding="utf-8")  # noqa: SIM115  the process's own
    status = 0
    try:
        from kerfbeat.__main__ import start

        start()
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else 1
    except BaseException:  # noqa: BLE001  told as it would be
        import traceback

        traceback.print_exc()
        status = 70
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(status)


def _serve() -> None:
    import matplotlib.backends.backend_pdf
    import matplotlib.figure  # noqa: F401
    import scipy.linalg
    import scipy.optimize
    import scipy.signal  # noqa: F401

    import kerfbeat.cli  # noqa: F401

    for line in sys.stdin:
        most_s, *words = json.loads(line)
        with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            child = os.fork()
            if child == 0:
                _child(words, most_s, out.fileno(), err.fileno())
            _, ended, used = os.wait4(child, 0)
            out.seek(0)
            err.seek(0)
            told = {
                "status": os.waitstatus_to_exitcode(ended), "out": out.read().hex(),
                "err": err.read().decode("utf-8", "replace"), "processor_s": used.ru_utime + used.ru_stime,
            }
        sys.stdout.write(json.dumps(told) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    _serve()

"""How is the same done to thousands of logs, on all cores, and gone on with after an interruption?"""

import os
import signal
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from functools import partial
from pathlib import Path
from typing import TypeVar

import click

from kerfbeat.cli._progress import count_progress
from kerfbeat.cli._shelf import Shelf
from kerfbeat.errors import LogError, MeasureError

__all__ = ["from_each"]

Result = TypeVar("Result")

FEW = 8  # logs or fewer are done one after another: starting more processes costs more than it saves
AHEAD = 2  # logs handed to each core at a time: bounds what is held in memory


def _ready() -> None:
    """In each helping process: an interruption is the first process's business."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def from_each(
    files: Sequence[Path], work: Callable[[Path], Result], *, named: str, known: Iterable[type]
) -> tuple[list[Result], list[str]]:
    """Results of `work` on each file, in the order of the files, and one line for each that cannot be used.

    work : to be had in other processes, so a function of a module.  named : it and its options, in words.
    known : the classes its results are made of.
    Raises what `work` raises if there is one file only; click.ClickException if it is interrupted: what is done is
    kept, and the same call goes on from there.
    """
    if len(files) == 1:
        return [work(files[0])], []
    if len(files) <= FEW:
        told = {path: _tried(partial(work, path)) for path in files}
    else:
        told = _shelved(files, work, Shelf(named, files, known))
    found = [result for path in files if not isinstance(result := told[path], str)]
    return found, [line for path in files if isinstance(line := told[path], str)]


def _tried(call: Callable[[], Result]) -> Result | str:
    """A result, or the line that refuses it."""
    try:
        return call()
    except (LogError, MeasureError) as problem:
        return str(problem)


def _shelved(files: Sequence[Path], work: Callable[[Path], Result], shelf: Shelf) -> dict[Path, Result | str]:
    """Each file with its result or refusal; results are kept until all are done."""
    told: dict[Path, Result | str] = dict(shelf.held(files))
    with count_progress("logs", len(files)) as show:
        try:
            for path, result in _on_all_cores([path for path in files if path not in told], work):
                told[path] = result
                if not isinstance(result, str):
                    shelf.keep(path, result)
                show(len(told))
        except KeyboardInterrupt:
            done = sum(not isinstance(result, str) for result in told.values())
            raise click.ClickException(
                f"stopped after {done} of {len(files)} logs; give the same command again and it goes on from there."
            ) from None
    shelf.clear()
    return told


def _on_all_cores(files: Sequence[Path], work: Callable[[Path], Result]) -> Iterator[tuple[Path, Result | str]]:
    """Each file with its result, or with the line that refuses it, as they are done."""
    cores = os.cpu_count() or 1
    waiting: dict[Future[Result], Path] = {}
    pool = ProcessPoolExecutor(max_workers=cores, initializer=_ready)
    try:
        for path in files:
            if len(waiting) >= AHEAD * cores:
                yield from _done(waiting)
            waiting[pool.submit(work, path)] = path
        while waiting:
            yield from _done(waiting)
    finally:
        pool.shutdown(cancel_futures=True)


def _done(waiting: dict[Future[Result], Path]) -> Iterator[tuple[Path, Result | str]]:
    finished, _ = wait(waiting, return_when=FIRST_COMPLETED)
    for each in finished:
        yield waiting.pop(each), _tried(each.result)

"""How do the edges of a simulated machine become levels on the pins of an emulated board?"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from kerfbeat.errors import SimulateError
from kerfbeat.simulate.world import EdgeBlock, World, edge_blocks
from kerfbeat.whole_file import gone_unless_whole

__all__ = ["pin_lines", "write_pins"]

PULSE_S = 5e-6  # the pins rest high, a pulse is a fall; shorter than the closest edges that a sensor gives are apart


def pin_lines(block: EdgeBlock) -> list[str]:
    """Lines `SECONDSs INPUT LEVEL` of one block in order of time: a fall and a rise for each edge."""
    seconds = np.concatenate([block.seconds, block.seconds + PULSE_S])
    inputs = np.concatenate([block.inputs, block.inputs])
    levels = np.repeat([0, 1], len(block.seconds))
    order = np.argsort(seconds, kind="stable")
    rows = zip(seconds[order].tolist(), inputs[order].tolist(), levels[order].tolist(), strict=True)
    return [f"{second:.10f}s {number} {level}\n" for second, number, level in rows]


def write_pins(world: World, path: str | Path) -> int:
    """Play a world and write its pin changes for the emulated board (`board --edges FILE`); return how many edges.

    Raises SimulateError if the file exists.
    """
    edges = 0
    if Path(path).exists():
        raise SimulateError(f"{path}: the file exists and is not overwritten; choose another name")
    with gone_unless_whole(path), Path(path).open("x", encoding="utf-8", newline="\n") as file:
        for line in _head(world):
            file.write(line)
        for block in edge_blocks(world):
            edges += len(block.seconds)
            file.writelines(pin_lines(block))
    return edges


def _head(world: World) -> Iterator[str]:
    yield f"# {world.scenario.name} on {world.machine.name}, seed {world.seed}\n"
    yield "# true seconds, input 1 to 3, level\n"

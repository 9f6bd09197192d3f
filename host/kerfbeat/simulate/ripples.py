"""Which once-a-turn faults does this machine have, and what do they do to each shaft?"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from kerfbeat.errors import SimulateError
from kerfbeat.machine import BeltStage, Machine
from kerfbeat.simulate.noise import stream
from kerfbeat.simulate.parameters import Parameters
from kerfbeat.simulate.plant import Plant
from kerfbeat.simulate.trajectory import Ripple

__all__ = ["carried_over", "ripples_of"]

JOINT_WIDTH_TURNS = 0.05  # standard deviation of the dip as a joint passes the guides: 12 % of a pass at half depth
JOINT_HARMONICS = 10  # the next would be below 1 % of the dip


def _first_belt(machine: Machine) -> int | None:
    return next((k for k, stage in enumerate(machine.stages) if isinstance(stage, BeltStage)), None)


def _causes(machine: Machine, plant: Plant, parameters: Parameters) -> Iterator[tuple[str, int, float, int]]:
    """Every sine wave: the track it repeats with, its order, its relative amplitude, the first group that it moves."""
    belt, first = parameters.lumpy_belt, _first_belt(machine)
    last_group = len(plant.nominal) - 1
    if parameters.belt_lump:
        if f"belt {belt}" not in plant.tracks:
            raise SimulateError(f"belt_lump: {machine.name} has no belt {belt}")
        yield f"belt {belt}", 1, parameters.belt_lump, belt
        yield f"belt {belt}", 2, parameters.belt_lump / 2, belt
    if parameters.driver_runout or parameters.driven_runout:
        if first is None:
            raise SimulateError(f"driver_runout, driven_runout: {machine.name} has no belt stage")
        # A groove that runs off its centre by e carries the belt at omega (r + e cos(omega t)).
        yield "motor" if first == 0 else f"shaft {first}", 1, parameters.driver_runout, 1
        yield f"shaft {first + 1}", 1, parameters.driven_runout, 1
    if parameters.wheel_wobble:
        yield "wheel", 1, parameters.wheel_wobble, last_group - 1
    if parameters.blade_joint:
        # A bell-shaped dip once a pass, as deep as said below the mean speed, by its Fourier series without the mean.
        area = JOINT_WIDTH_TURNS * math.sqrt(math.tau)
        for order in range(1, JOINT_HARMONICS + 1):
            part = 2 * area / (1 - area) * math.exp(-2 * (math.pi * order * JOINT_WIDTH_TURNS) ** 2)
            yield "blade", order, -parameters.blade_joint * part, last_group - 1


def ripples_of(machine: Machine, plant: Plant, parameters: Parameters, *, seed: int) -> dict[str, tuple[Ripple, ...]]:
    """List the ripples of every shaft and of the blade.

    A belt's ripple moves everything behind that belt; the wheel's and the blade's move the shafts of the wheel's group
    and the blade.
    """
    phase = stream(seed, "ripple phases")
    found: dict[str, list[Ripple]] = {name: [] for name in plant.tracks}
    rate = {name: plant.nominal[track.group] * track.turns_per_unit for name, track in plant.tracks.items()}
    phases: dict[str, float] = {}
    for along, order, amplitude, group in _causes(machine, plant, parameters):
        phases.setdefault(along, float(phase.random()))
        for name, track in plant.tracks.items():
            if track.group >= group and not name.startswith("belt"):
                found[name].append(
                    Ripple(
                        along=along, order=order, amplitude=amplitude, phase_turns=order * phases[along],
                        scale=rate[name] / rate[along],
                    )
                )  # fmt: skip
    return {name: tuple(each) for name, each in found.items() if each}


def carried_over(
    before: Mapping[str, tuple[Ripple, ...]], after: Mapping[str, tuple[Ripple, ...]], turns: Mapping[str, float]
) -> dict[str, tuple[Ripple, ...]]:
    """Shift the ripples of a new setting so that no shaft jumps while the machine stands still.

    turns : turns of every track at the change.
    """

    def here(ripple: Ripple) -> float:
        along: NDArray[np.float64] = np.array([turns[ripple.along]])
        return float(ripple.turns(along)[0])

    return {
        name: tuple(
            dataclasses.replace(new, offset_turns=here(old) - here(new))
            for old, new in zip(before[name], ripples, strict=True)
        )
        for name, ripples in after.items()
    }

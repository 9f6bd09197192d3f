"""What could make a shaft's speed change in step with its turning, and at which order?

Orders are events per turn of the shaft that the channel watches.  Where another channel of the log shows how fast
its shaft turns, that ratio is taken instead of the described one, since over many turns no belt's creep is left in it.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from kerfbeat.diagnose import shafts
from kerfbeat.diagnose.shafts import Band
from kerfbeat.errors import MachineError
from kerfbeat.machine import BeltStage, Machine, Setting

__all__ = ["Source", "folded", "nearest_alias", "sources_of"]

MEASURED_HALF = 2e-5  # relative, of a ratio of two channels over the stretch: creep wanders
HARMONICS = {"shaft": 3, "belt": 3, "blade": 10}  # a joint is a short dip: many


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """One element of the machine and the order it shows at.

    element : "motor", "wheel", "shaft behind ...", "belt ...", "blade".   harmonic : 1 is once a turn or pass.
    order : band of the true order, events per turn of the watched shaft.
    """

    element: str
    harmonic: int
    order: Band

    @property
    def words(self) -> str:
        """Element and harmonic: "motor, once a turn"; "belt 1, twice a pass"."""
        times = {1: "once", 2: "twice"}.get(self.harmonic, f"{self.harmonic} times")
        each = "pass" if self.element.startswith(("belt", "blade")) else "turn"
        return f"{self.element}, {times} a {each}"


def folded(order: float, *, per_turn: int) -> float:
    """Where an order shows up with so many pulses a turn, from 0 to half of them.

    Source: sampling theorem in the angle domain; orders q and k M +- q look alike.
    """
    rest = order % per_turn
    return min(rest, per_turn - rest)


def nearest_alias(seen: float, *, near: float, per_turn: int) -> float:
    """Of all true orders that show up at `seen`, the one nearest to `near`."""
    k = round(near / per_turn)
    candidates = [j * per_turn + sign * seen for j in (k - 1, k, k + 1) for sign in (1, -1)]
    return min((each for each in candidates if each > 0), key=lambda each: abs(each - near))


def sources_of(
    machine: Machine, setting: Setting, *, channel: str, measured: Mapping[str, float]
) -> tuple[list[Source], list[str]]:
    """Every element with its harmonics, and a line for what the description leaves out.

    measured : turns of each channel seen per turn of this one, over the stretch looked at.
    """
    lacking: list[str] = []
    here = shafts.shaft_of(machine, channel)
    known: dict[int, Band] = {}
    for name, ratio in measured.items():
        shaft = shafts.shaft_of(machine, name)
        if shaft is not None:
            known[shaft] = shafts.around(ratio, MEASURED_HALF)
    if here is not None:
        known[here] = Band(low=1.0, high=1.0)
    blade = shafts.blade_pass_band(machine)
    if channel == "blade" and blade is not None:
        known.setdefault(len(machine.stages), blade.inverse())
    if not known:
        return [], [f"{channel}: which shaft it watches is not described, so that no order has a name"]
    firsts: list[tuple[str, str, Band]] = []
    rates: dict[int, Band] = {}
    for shaft in range(len(machine.stages) + 1):
        anchor = shafts.nearest(machine, shaft, list(known))
        try:
            rates[shaft] = known[anchor] * shafts.rate_band(machine, setting, of=shaft, per=anchor)
        except MachineError as problem:
            lacking.append(f"{shafts.shaft_name(machine, shaft)}: {problem}")
            continue
        firsts.append(("shaft", shafts.shaft_name(machine, shaft), rates[shaft]))
    for index, stage in enumerate(machine.stages):
        if isinstance(stage, BeltStage) and index in rates:
            name = f"belt of {stage.name}" if stage.name else f"belt of stage {index + 1}"
            try:
                passes = shafts.belt_pass_band(machine, setting, index)
            except MachineError:
                continue  # said above, of the shaft behind it
            if passes is None:
                lacking.append(f"{name}: its length is not described; add belt_length or centre_distance")
            else:
                firsts.append(("belt", name, rates[index] * passes))
    if "blade" in measured or channel == "blade":
        firsts.append(("blade", "blade", shafts.around(measured.get("blade", 1.0), MEASURED_HALF)))
    elif blade is not None:
        firsts.append(("blade", "blade", rates[len(machine.stages)] * blade))
    else:
        lacking.append("blade: its length is not described; add blade_length")
    found = [
        Source(
            element=element, harmonic=h, order=Band(low=h * first.low, high=h * first.high)
        )
        for kind, element, first in firsts
        for h in range(1, HARMONICS[kind] + 1)
    ]  # fmt: skip
    return [source for source in found if math.isfinite(source.order.high)], lacking

"""Which machine, board and line stand behind a `sim://` address?

The parts of the address choose them:

    sim://                          the demo saw, everyday: on, cuts, off, again and again
    sim://cut?seed=3&hz=45          the scenario `cut`, that seed, that frequency
    sim://steady?machine=saw.toml   a machine of your own, by its file; or a demo machine by name, machine=grinder
    sim://noise?drop=0.01           one frame in a hundred is lost

scenario             any of `kerfbeat simulate --list`; a run that ends goes on in the state of its end
seed                 whole number; one seed gives one run, to the pulse
machine              file, or name of a demo machine
real_machine         the same: what really stands there, if the description is to be wrong
speed                how many times faster than real time, for a `BoardLink` with a clock that runs as much faster;
                     commands, which go by the computer's clock, refuse it
drop, noise          chance that a frame is lost, that random bytes come before it
flood_at, flood_s    input 1 fires faster than it can be served from this second on, for so long
eeprom               file that keeps the board's settings when the port is closed; else they are forgotten then
unplug_at, unplug_s  the plug is pulled at this second, and back in after so long
NAME                 any parameter of `kerfbeat simulate --list`; reset_at_s and loss_at_s act on this board, too

What the operator types does not reach the simulated saw: the scenario has its own time-line, `hz`, `gear` and `belt` of
the address stay until the port is closed, except where the scenario changes them.
"""

from __future__ import annotations

import math
from pathlib import Path
from urllib.parse import parse_qsl, unquote, urlsplit

from kerfbeat.errors import SimulateError
from kerfbeat.machine import named_machine
from kerfbeat.simulate.board import LineFaults, SimulatedBoard
from kerfbeat.simulate.board_memory import BoardMemory
from kerfbeat.simulate.noise import stream
from kerfbeat.simulate.world import World

__all__ = ["SimulatedLine"]

LIVE_S = 10 * 24 * 3600.0  # a port is not kept open longer
LEAST_TRIP_S = 0.3e-3  # through a USB adapter: a fixed part, and a random one (common practice, no published source)
USUAL_TRIP_S = 0.3e-3


def _number(name: str, text: str, *, least: float, most: float = math.inf) -> float:
    try:
        value = float(text)
    except ValueError:
        raise SimulateError(f'{name}: "{text}" is not a number') from None
    if not least <= value <= most:
        raise SimulateError(f"{name}: {value:g} cannot be; write {least:g} or more, at most {most:g}")
    return value


class SimulatedLine:
    """A machine, its board and the line to the host, all by the host's clock from the moment of opening."""

    def __init__(self, url: str, *, opened_host_s: float) -> None:
        parts = urlsplit(url)
        scenario = unquote(parts.netloc + parts.path).strip("/") or "everyday"
        asked = dict(parse_qsl(parts.query, keep_blank_values=True))
        machine = named_machine(asked.pop("machine", "saw"))
        real = asked.pop("real_machine", None)
        eeprom = asked.pop("eeprom", None)
        seed = int(_number("seed", asked.pop("seed", "0"), least=0, most=2**63))
        self.speed = _number("speed", asked.pop("speed", "1"), least=0.01, most=1000)
        self.unplug_s = _number("unplug_at", asked.pop("unplug_at", "inf"), least=0)
        self.plug_s = self.unplug_s + _number("unplug_s", asked.pop("unplug_s", "3"), least=0)
        self._faults = LineFaults(
            drop=_number("drop", asked.pop("drop", "0"), least=0, most=1),
            noise=_number("noise", asked.pop("noise", "0"), least=0, most=1),
            flood_at_s=_number("flood_at", asked.pop("flood_at", "inf"), least=0),
            flood_s=_number("flood_s", asked.pop("flood_s", "1"), least=0),
        )
        settings: dict[str, str | float] = dict(asked)
        if scenario == "everyday":
            settings.setdefault("duration_s", LIVE_S)
        self._world = World(
            scenario,
            machine,
            seed=seed,
            settings=settings,
            real_machine=named_machine(real) if real is not None else None,
            run_on_s=LIVE_S,
        )
        self._opened_host_s = opened_host_s
        self._trips = stream(seed, "trips")
        memory = BoardMemory(None if eeprom is None else Path(eeprom))
        self.board = SimulatedBoard(self._world, faults=self._faults, memory=memory)

    def true_s(self, host_s: float) -> float:
        """Time of the simulated world."""
        return (host_s - self._opened_host_s) * self.speed

    def host_s(self, true_s: float) -> float:
        """Inverse of `true_s`."""
        return self._opened_host_s + true_s / self.speed

    def trip_s(self) -> float:
        """How long bytes take between the board's line and the host's program, in the host's seconds."""
        return LEAST_TRIP_S + float(self._trips.exponential(USUAL_TRIP_S))

    def restart_board(self) -> None:
        """The plug was pulled: the board starts anew on the machine that ran on."""
        self.board.power_up(self.plug_s)
        self.unplug_s = math.inf

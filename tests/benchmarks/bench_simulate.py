"""How fast is a run simulated, and how much of a processor does `sim://` use?"""

import tempfile
import time
from pathlib import Path

import serial
from registry import benchmark

from kerfbeat.capture import messages, wire
from kerfbeat.machine import demo_machine
from kerfbeat.simulate import World, simulate_log
from kerfbeat.simulate.port import register

HOUR_S = 3600.0
LISTEN_S = 20.0
GRINDER = {"belt": "middle / 3 in"}  # 178 pulses a second on two channels


@benchmark("simulate: an hour at 180 pulses/s, idle, with its log", unit="s", at_most=6.0)
def hour_of_steady_running() -> float:
    """Processor seconds of an hour's log: little happens, so most of it are pulses."""
    with tempfile.TemporaryDirectory() as folder:
        began_s = time.process_time()
        settings = {**GRINDER, "duration_s": HOUR_S}
        simulate_log("steady", demo_machine("grinder"), Path(folder) / "hour.csv", settings=settings)
        return time.process_time() - began_s


@benchmark("simulate: an hour of cuts, physics and pulses", unit="s", at_most=6.0)
def hour_of_cuts() -> float:
    """Processor seconds of an hour's motion in which a cut runs most of the time."""
    began_s = time.process_time()
    world = World("everyday", demo_machine("saw"))
    pulses = sum(len(edges.seconds) for stretch in world.stretches() for edges in stretch.edges.values())
    used_s = time.process_time() - began_s
    assert pulses > 50_000
    return used_s


@benchmark("sim://: processor while streaming 178 pulses/s", unit="%", at_most=4.0)
def port_in_real_time() -> float:
    """Share of one core, the reader that decodes the frames included."""
    register()
    with serial.serial_for_url("sim://steady?machine=grinder&belt=middle+/+3+in", timeout=0.02) as port:
        decoder = wire.Decoder()
        end_s = time.perf_counter() + 1.0
        while time.perf_counter() < end_s:
            decoder.feed(port.read(max(1, port.in_waiting)))
        port.write(wire.encode_message(messages.Stream(on=True), 1))
        pulses, began_s, end_s = 0, time.process_time(), time.perf_counter() + LISTEN_S
        while time.perf_counter() < end_s:
            for frame in decoder.feed(port.read(max(1, port.in_waiting))):
                if isinstance(frame.message, messages.Batch):
                    pulses += sum(map(len, frame.message.edge_ticks))
        used_s = time.process_time() - began_s
    assert pulses > 170 * LISTEN_S
    return 100 * used_s / LISTEN_S

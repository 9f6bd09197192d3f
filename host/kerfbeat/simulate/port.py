"""How does a simulated machine with its board behave like a serial port?

`sim://` is a port like any other to whoever opens it: the demo saw through a working day, in real time, or what else
the address asks for (`line`).
"""

from __future__ import annotations

import math
import threading
import time
from typing import Any

import serial
from serial.serialutil import PortNotOpenError, SerialBase, SerialException

from kerfbeat.errors import KerfbeatError, SimulateError
from kerfbeat.simulate.line import SimulatedLine

__all__ = ["Serial", "register"]

USUAL_ARRIVAL_S = 1.2e-3  # from the moment a frame is due to its last byte at the host: look then, not twice
LEAST_WAIT_S = 0.5e-3
PACKAGE = "kerfbeat.simulate"

_unplugged: dict[str, tuple[float, SimulatedLine]] = {}  # by address: machines that run on while their plug is out
_unplugged_lock = threading.Lock()


def register() -> None:
    """Make `sim://` known to pyserial."""
    if PACKAGE not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(PACKAGE)


class Serial(SerialBase):
    """The port that pyserial makes of a `sim://` address."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._line: SimulatedLine | None = None
        self._buffer = bytearray()
        self._coming: list[tuple[float, bytes]] = []  # host time at which it can be read
        self._change = threading.Condition()
        self._cancelled = False
        self._seen_host_s = 0.0
        super().__init__(*args, **kwargs)

    # Opening and closing

    def open(self) -> None:
        """Start the machine and its board, which opening resets; a plug that is out cannot be opened."""
        if self.is_open:
            raise SerialException("the port is already open")
        if self.port is None:
            raise SerialException("the port has no address yet")
        now_s = time.perf_counter()
        with _unplugged_lock:
            out = _unplugged.get(self.port)
            if out is not None:
                back_s, line = out
                if now_s < back_s:
                    raise SerialException(f"could not open port {self.port}: [Errno 2] No such file or directory")
                del _unplugged[self.port]
                line.restart_board()
                self._line = line
        if self._line is None:
            try:
                self._line = SimulatedLine(self.port, opened_host_s=now_s)
            except KerfbeatError as error:
                raise SimulateError(f"{self.port}: {error}") from error
        self._buffer.clear()
        self._coming.clear()
        self._cancelled = False
        self.is_open = True

    def close(self) -> None:
        """Let go of the machine; a read that waits ends."""
        with self._change:
            self.is_open = False
            self._line = None
            self._change.notify_all()

    def _reconfigure_port(self) -> None:
        """Nothing to set: the simulated line has one speed."""

    # Bytes

    def _pump(self, now_s: float) -> float:
        """Bring what has arrived by now into the buffer; return when there will be more.  Called with the lock."""
        line = self._line
        if line is None:
            raise PortNotOpenError
        if line.true_s(now_s) >= line.unplug_s:
            self._pull_plug(line)
        for whole_s, data in line.board.speak(line.true_s(now_s)):
            arrival_s = max(line.host_s(whole_s) + line.trip_s(), self._coming[-1][0] if self._coming else 0.0)
            self._coming.append((arrival_s, data))
        ready = 0
        while ready < len(self._coming) and self._coming[ready][0] <= now_s:
            self._buffer += self._coming[ready][1]
            ready += 1
        del self._coming[:ready]
        next_s = line.host_s(min(line.board.next_s(), line.unplug_s)) + USUAL_ARRIVAL_S
        return min(next_s, self._coming[0][0]) if self._coming else next_s

    def _pull_plug(self, line: SimulatedLine) -> None:
        with _unplugged_lock:
            _unplugged[str(self.port)] = (line.host_s(line.plug_s), line)
        self.is_open = False
        self._line = None
        raise SerialException("device reports readiness to read but returned no data (device disconnected?)")

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""
        with self._change:
            if not self.is_open:
                raise PortNotOpenError
            if not self._buffer:
                self._pump(time.perf_counter())
            return len(self._buffer)

    def read(self, size: int = 1) -> bytes:
        """Read up to `size` bytes; waits for them as long as `timeout` says (None: for ever, 0: not at all)."""
        with self._change:
            if not self.is_open:
                raise PortNotOpenError
            end_s = math.inf if self.timeout is None else time.perf_counter() + self.timeout
            while len(self._buffer) < size:
                now_s = time.perf_counter()
                next_s = self._pump(now_s)
                if len(self._buffer) >= size or now_s >= end_s or self._cancelled:
                    break
                self._change.wait(max(min(next_s, end_s) - now_s, LEAST_WAIT_S))
                if not self.is_open:
                    break
            self._cancelled = False
            data = bytes(self._buffer[:size])
            del self._buffer[:size]
            return data

    def write(self, data: Any, /) -> int:
        """Send bytes to the board; they are on their way at once."""
        content = bytes(data)
        with self._change:
            if not self.is_open or self._line is None:
                raise PortNotOpenError
            now_s = time.perf_counter()
            self._pump(now_s)
            # The board's answer may come sooner than what it would have said by itself: readers look again.
            self._line.board.receive(content, self._line.true_s(now_s + self._line.trip_s()))
            self._change.notify_all()
        return len(content)

    def cancel_read(self) -> None:
        """End a read that waits, from another thread."""
        with self._change:
            self._cancelled = True
            self._change.notify_all()

    def cancel_write(self) -> None:
        """Nothing to end: a write never waits."""

    def flush(self) -> None:
        """Nothing to wait for: what was written is on its way."""

    def reset_input_buffer(self) -> None:
        """Forget what has come in and was not read."""
        with self._change:
            if not self.is_open:
                raise PortNotOpenError
            self._pump(time.perf_counter())
            self._buffer.clear()

    def reset_output_buffer(self) -> None:
        """Nothing to forget: what was written is on its way."""

    def _update_break_state(self) -> None:
        """The simulated line has no break."""

    def _update_rts_state(self) -> None:
        """Nobody looks at this line."""

    def _update_dtr_state(self) -> None:
        """Nobody looks at this line: the board was reset by opening."""

    @property
    def cts(self) -> bool:
        """Clear to send: always."""
        return True

    @property
    def dsr(self) -> bool:
        """Data set ready: always."""
        return True

    @property
    def ri(self) -> bool:
        """Ring: never."""
        return False

    @property
    def cd(self) -> bool:
        """Carrier: always."""
        return True

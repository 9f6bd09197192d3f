"""How is a port opened, and what is the likely cause when that fails?"""

import contextlib
import errno
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from kerfbeat.capture.port_names import ports_in_words
from kerfbeat.errors import LinkError

if TYPE_CHECKING:
    from serial import Serial

__all__ = ["Port", "PortAbsentError", "has_baud", "is_simulated", "open_port"]

READ_WAIT_S = 0.02  # a read waits so long for the first byte; then pings and requests get their turn
WRITE_WAIT_S = 1.0  # a request is a few bytes: a port that does not take them in this time is dead
READ_BYTES = 4096
ABSENT = (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ECONNREFUSED)
SIMULATED = "sim://"
BAUDLESS = ("socket://", "loop://", SIMULATED)


def has_baud(url: str) -> bool:
    """Does a baud rate mean anything there?"""
    return not url.lower().startswith(BAUDLESS)


def is_simulated(url: str) -> bool:
    """Is it the simulated machine with its board that answers there?"""
    return url.lower().startswith(SIMULATED)


class PortAbsentError(LinkError):
    """There is no such port now: nothing plugged in, nobody at the address."""


class Port:
    """An open port.  Whatever its driver raises when a plug is pulled comes out as a LinkError."""

    def __init__(self, url: str, serial: "Serial") -> None:
        self.url = url
        self._serial = serial
        self._is_socket = type(serial).__module__.endswith("protocol_socket")

    def read_some(self) -> bytes:
        """What has come in: waits for the first byte only (at most READ_WAIT_S), so that its time is known well."""
        try:
            chunk = self._serial.read(1)
            if not chunk:
                return b""
            if not self._is_socket:
                waiting = min(self._serial.in_waiting, READ_BYTES)
                return bytes(chunk + self._serial.read(waiting)) if waiting else bytes(chunk)
            # Its in_waiting says one byte whatever has come; but here another time-out costs nothing.
            self._serial.timeout = 0
            try:
                return bytes(chunk + self._serial.read(READ_BYTES))
            finally:
                self._serial.timeout = READ_WAIT_S
        except Exception as error:
            raise self._gone() from error

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        try:
            self._serial.write(data)
        except Exception as error:
            raise self._gone() from error

    def listen_at(self, baud: int) -> None:
        """Set the baud rate where there is one, and forget what came in at another."""
        try:
            if has_baud(self.url):
                self._serial.baudrate = baud
            self._serial.reset_input_buffer()
        except Exception as error:
            raise self._gone() from error

    def close(self) -> None:
        """Give the port back; a port that is gone needs no closing."""
        inner = getattr(self._serial, "_socket", None)
        with contextlib.suppress(Exception):
            self._serial.close()
        if inner is not None:  # pyserial leaves it open when the other end has gone first
            inner.close()

    def _gone(self) -> LinkError:
        # The library's own words say less, and differently on every system; a traceback still has them.
        if "://" in self.url and not is_simulated(self.url):
            told = "the other end has hung up, or the network has failed; start again what offers the port there"
        else:
            told = "the board was unplugged, or its port has failed; plug it in again, and check plug and cable"
        return LinkError(f"{self.url}: {told}")


def open_port(url: str, *, baud: int) -> Port:
    """Open `url`, a device name (`/dev/ttyUSB0`, `COM3`) or one of pyserial's URLs; devices are opened exclusively.

    Raises LinkError with the likely cause and what to do.
    """
    import serial

    write_wait_s = None if url.lower().startswith("rfc2217://") else WRITE_WAIT_S  # pyserial has none there
    try:
        port = serial.serial_for_url(
            url, baudrate=baud, timeout=READ_WAIT_S, write_timeout=write_wait_s, do_not_open=True
        )
        if "://" not in url:
            port.exclusive = True  # two programs on one port would each get half of the bytes
        port.open()
    except (serial.SerialException, OSError, ValueError, NotImplementedError) as error:
        number = _number(error)
        kind = PortAbsentError if number in ABSENT or "FileNotFoundError" in str(error) else LinkError
        raise kind(f"{url}: {_explain(url, error, number)}") from error
    return Port(url, port)


def _number(error: Exception) -> int | None:
    """The system's number for `error`, where pyserial hands it on or writes it into its text."""
    number = getattr(error, "errno", None)
    found = re.search(r"\[Errno (\d+)\]", str(error))
    return number if number is not None or found is None else int(found.group(1))


def _explain(url: str, error: Exception, number: int | None) -> str:
    said = str(error)
    if is_simulated(url):
        return " ".join(said.split())  # the simulated machine says itself what is wrong with its address
    if isinstance(error, ValueError):
        return "no such kind of port; write a device such as /dev/ttyUSB0 or COM3, socket://HOST:PORT or sim://"
    if "lock port" in said or number == errno.EBUSY:
        return "another program has the port open; close it (a serial monitor, another kerfbeat) and try again"
    if "PermissionError" in said:  # Windows says so when another program has it
        return "access is refused, most likely since another program has the port open; close it and try again"
    if number in (errno.EACCES, errno.EPERM):
        return f"permission denied; join the group that owns the port ({_group(url)}), then log in again"
    if number == errno.ENOENT or "FileNotFoundError" in said:
        return f"no such port; {ports_in_words()}"
    if number in (errno.ECONNREFUSED, errno.ETIMEDOUT, errno.EHOSTUNREACH, errno.ENETUNREACH) or "timed out" in said:
        return "nothing answers at that address; start the program that offers the port, and check host and number"
    if "Name or service" in said or "getaddrinfo" in said or "nodename" in said:
        return "there is no host of that name; check the address"
    if "configure port" in said or number in (errno.ENOTTY, errno.EISDIR, errno.EINVAL):
        return f"is not a serial port; {ports_in_words()}"
    brief = " ".join(said.replace(url, "").split())[:120]
    if "://" in url:
        return f"cannot be opened ({brief}); check the address, written like socket://HOST:PORT"
    return f"cannot be opened ({brief}); unplug the board, plug it in again, and check the name"


def _group(url: str) -> str:
    if sys.platform != "win32":
        import grp

        try:
            name = grp.getgrgid(Path(url).stat().st_gid).gr_name
        except (OSError, KeyError):
            name = "root"
        if name != "root":  # root's own files need more than a group
            return name
    return "often dialout"

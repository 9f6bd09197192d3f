"""Which serial ports are there, and where is a device that was plugged in again?"""

from dataclasses import dataclass
from pathlib import Path

__all__ = ["PortIdentity", "found_ports", "identity_of", "ports_in_words", "where_now"]

MOST_PORTS_NAMED = 6


@dataclass(frozen=True, kw_only=True, slots=True)
class PortIdentity:
    """What stays the same of a plugged device when the system gives it another name."""

    vendor: int
    product: int
    serial_number: str | None
    place: str | None  # which socket it is plugged into


def found_ports() -> dict[str, PortIdentity | None]:
    """Every serial port of this machine that is more than a socket on the board, by device name."""
    from serial.tools import list_ports

    ports: dict[str, PortIdentity | None] = {}
    for each in list_ports.comports():
        known = each.vid is not None and each.pid is not None
        ports[each.device] = (
            PortIdentity(
                vendor=each.vid, product=each.pid, serial_number=each.serial_number, place=each.location
            )
            if known
            else None
        )  # fmt: skip
    return ports


def ports_in_words() -> str:
    """For an error: the ports that could be meant."""
    ports = found_ports()
    plugged = [device for device, identity in ports.items() if identity is not None] or list(ports)
    if not plugged:
        return "no serial port was found on this computer; plug the board in and check the cable"
    more = "" if len(plugged) <= MOST_PORTS_NAMED else f" and {len(plugged) - MOST_PORTS_NAMED} more"
    return f"ports found: {', '.join(plugged[:MOST_PORTS_NAMED])}{more}"


def identity_of(url: str) -> PortIdentity | None:
    """Identity of the plugged device at `url`; None for anything that has none."""
    if "://" in url:
        return None
    ports = found_ports()
    if url in ports:
        return ports[url]
    try:
        return ports.get(str(Path(url).resolve(strict=True)))  # a name made by the system's rules, a link
    except OSError:
        return None


def where_now(url: str, identity: PortIdentity | None) -> str:
    """Where is the device that was at `url`?  Another name if it was plugged in again under one, else `url`."""
    if identity is None:
        return url
    ports = found_ports()
    if ports.get(url) == identity or Path(url).exists():
        return url
    same = [device for device, known in ports.items() if known == identity]
    if not same and identity.serial_number is not None:  # plugged into another socket
        same = [
            device
            for device, known in ports.items()
            if known is not None
            and (known.vendor, known.product, known.serial_number)
            == (identity.vendor, identity.product, identity.serial_number)
        ]
    return same[0] if len(same) == 1 else url

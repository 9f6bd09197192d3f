"""When a board cannot be reached or understood, is the cause said in one line, with a cure?"""

import errno
import os
import pty
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from serial.tools.list_ports_common import ListPortInfo

from kerfbeat.capture import wire_numbers
from kerfbeat.capture.greeting import rounds_for
from kerfbeat.capture.link import BoardLink
from kerfbeat.capture.port_names import PortIdentity, identity_of, where_now
from kerfbeat.capture.ports import Port, open_port
from kerfbeat.errors import LinkError

Served = Any  # the fixtures' own class, see conftest.py
BRIEF_S = 0.6


def refusal(url: str, **options: Any) -> str:
    with pytest.raises(LinkError) as caught:
        BoardLink(url, sensors=None, patience_s=BRIEF_S, **options)
    said = str(caught.value)
    assert "\n" not in said
    assert said.startswith(url)
    assert said.count(url) == 1
    return said.removeprefix(url)


def info(
    device: str, vid: int | None = 0x1A86, serial_number: str | None = None, location: str = "1-2"
) -> ListPortInfo:
    port = ListPortInfo(device)
    port.vid = vid
    port.pid = None if vid is None else 0x7523
    port.serial_number = serial_number
    port.location = location
    return port


@pytest.fixture
def ports(monkeypatch: pytest.MonkeyPatch) -> list[ListPortInfo]:
    found: list[ListPortInfo] = []
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: found)
    return found


@pytest.fixture
def talker() -> Iterator[Callable[[bytes], str]]:
    """A TCP port where a device says the same thing again and again."""
    stop = threading.Event()
    threads: list[threading.Thread] = []

    def start(words: bytes) -> str:
        listener = socket.create_server(("127.0.0.1", 0))

        def run() -> None:
            with listener:
                client, _ = listener.accept()
                with client:
                    while not stop.wait(0.01):
                        try:
                            client.sendall(words)
                        except OSError:
                            return

        threads.append(threading.Thread(target=run))
        threads[-1].start()
        return f"socket://127.0.0.1:{listener.getsockname()[1]}"

    yield start
    stop.set()
    for thread in threads:
        thread.join()


def test_an_absent_port_names_those_that_are_there(ports: list[ListPortInfo]) -> None:
    assert "no serial port was found" in refusal("/dev/ttyUSB7")
    ports += [info(f"/dev/ttyUSB{k}") for k in range(8)] + [info("/dev/ttyS0", vid=None)]
    said = refusal("/dev/absent")
    assert "no such port; ports found: /dev/ttyUSB0, /dev/ttyUSB1," in said
    assert said.endswith("/dev/ttyUSB5 and 2 more")


@pytest.mark.parametrize("kind", ["file", "folder"])
def test_what_is_no_port_is_told(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "thing"
    path.write_bytes(b"") if kind == "file" else path.mkdir()
    assert "is not a serial port" in refusal(str(path))


# What pyserial raises: on Linux and macOS with a number, on Windows with the system's words in the text.
LOCKED = serial.SerialException(11, "Could not exclusively lock port x: busy")
WINDOWS_BUSY = serial.SerialException("could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)")
WINDOWS_ABSENT = serial.SerialException("could not open port 'COM9': FileNotFoundError(2, 'not found', None, 2)")


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (serial.SerialException(errno.EACCES, "could not open port"), "permission denied; join the group that owns"),
        (serial.SerialException(errno.EBUSY, "could not open port"), "another program has the port open"),
        (LOCKED, "another program has the port open"),
        (WINDOWS_BUSY, "access is refused"),
        (WINDOWS_ABSENT, "no such port"),
        (serial.SerialException("Could not configure port: (25, 'Inappropriate ioctl')"), "is not a serial port"),
        (serial.SerialException("something\nnobody foresaw"), "cannot be opened (something nobody foresaw)"),
    ],
)
def test_errors_of_the_system_become_cause_and_cure(
    monkeypatch: pytest.MonkeyPatch, ports: list[ListPortInfo], error: Exception, said: str
) -> None:
    def refuse(_self: serial.Serial) -> None:
        raise error

    monkeypatch.setattr(serial.Serial, "open", refuse)
    assert said in refusal("/dev/ttyUSB0")


def test_a_port_that_another_link_has_is_busy() -> None:
    master, slave = pty.openpty()
    name = os.ttyname(slave)
    try:
        first = serial.Serial(name, exclusive=True)
        assert "another program has the port open" in refusal(name)
        first.close()
    finally:
        os.close(master)
        os.close(slave)


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("nonsense://x", "no such kind of port"),
        ("socket://127.0.0.1", "written like socket://HOST:PORT"),
        ("socket://no-such-host.invalid:1", "there is no host of that name"),
    ],
)
def test_wrong_addresses_are_told(url: str, said: str) -> None:
    assert said in refusal(url)


def test_nobody_at_the_address_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        number = listener.getsockname()[1]
    assert "nothing answers at that address" in refusal(f"socket://127.0.0.1:{number}")


def test_silence_is_told(talker: Callable[[bytes], str]) -> None:
    assert "nothing comes; check cable and power, and that the firmware is flashed" in refusal(talker(b""))


def test_silence_on_a_port_with_a_baud_rate_names_those_tried() -> None:
    master, slave = pty.openpty()
    try:
        assert "nothing comes at 500000 and 115200 baud" in refusal(os.ttyname(slave))
        assert "leave out --baud" not in refusal(os.ttyname(slave))
        said = refusal(os.ttyname(slave), baud=9600)
        assert "nothing comes at 9600 baud" in said
        assert "or leave out --baud, so that the board's own rate is found" in said
    finally:
        os.close(master)
        os.close(slave)


@pytest.mark.parametrize("words", [b"$GPGGA,123519,4807.038,N\r\n", b"\xff\x00\x80\x00", bytes(range(256))])
def test_another_device_is_told(talker: Callable[[bytes], str], words: bytes) -> None:
    said = refusal(talker(words))
    assert "a device that talks something else" in said
    assert "beginning '" in said
    assert said.isprintable()


def test_a_loop_back_is_told() -> None:
    assert "comes straight back" in refusal("loop://")


def test_a_board_that_does_not_hear_is_told(on_socket: Served) -> None:
    on_socket.board.deaf = True
    on_socket.board.due.clear()  # its first hello
    assert "a board sends, but does not answer" in refusal(on_socket.url)


@pytest.mark.parametrize(("protocol", "said"), [(0, "the board is older; flash"), (2, "this program is older; update")])
def test_another_protocol_version_is_explained(on_socket: Served, protocol: int, said: str) -> None:
    on_socket.board.protocol = protocol
    told = refusal(on_socket.url)
    ours = f"this program protocol {wire_numbers.PROTOCOL}"
    assert f"the board speaks protocol {protocol} (firmware 9.8.7), {ours}" in told
    assert said in told


def test_both_baud_rates_are_tried_the_fast_one_first_and_longest() -> None:
    rounds = rounds_for("/dev/ttyUSB0", None, patience_s=6.0)
    assert [baud for baud, _ in rounds] == [500_000, 115_200, 500_000, 115_200]
    assert sum(time_s for _, time_s in rounds) == pytest.approx(6.0)
    assert rounds[0][1] >= 2.0  # an old boot loader keeps the board for two seconds
    assert rounds_for("/dev/ttyUSB0", 115_200, patience_s=6.0) == [(115_200, 6.0)]
    assert len(rounds_for("socket://x:1", None, patience_s=6.0)) == 1


@pytest.mark.parametrize("board_baud", [500_000, 115_200])
def test_the_baud_rate_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, served: Served, board_baud: int
) -> None:
    """The board understands, and is understood, at its own rate only; at another both read noise."""
    if served.url.startswith("socket"):
        rate = None  # has none, and needs none
    else:
        rate = board_baud
        ports: list[serial.Serial] = []
        real_open, real_write = serial.Serial.open, serial.Serial.write

        def noted_open(self: serial.Serial) -> None:
            ports.append(self)
            real_open(self)

        def write(self: serial.Serial, data: bytes) -> Any:
            return real_write(self, data if self.baudrate == board_baud else b"\xa5\x5a")

        monkeypatch.setattr(serial.Serial, "open", noted_open)
        monkeypatch.setattr(serial.Serial, "write", write)
        served.board.garble = lambda data: (
            data if ports and ports[-1].baudrate == board_baud else bytes(byte ^ 0x33 for byte in data)
        )
    with BoardLink(served.url, sensors=None, patience_s=4.0) as link:
        assert link.events(1.0)[0].baud == rate


# Where a device went


def test_a_device_is_found_again_under_another_name(ports: list[ListPortInfo]) -> None:
    ports += [info("/dev/ttyUSB0", serial_number="A1"), info("/dev/ttyUSB1", serial_number="B2", location="1-3")]
    identity = identity_of("/dev/ttyUSB0")
    assert identity == PortIdentity(vendor=0x1A86, product=0x7523, serial_number="A1", place="1-2")
    assert where_now("/dev/ttyUSB0", identity) == "/dev/ttyUSB0"
    ports[:] = [info("/dev/ttyUSB1", serial_number="B2", location="1-3"), info("/dev/ttyUSB4", serial_number="A1")]
    assert where_now("/dev/ttyUSB0", identity) == "/dev/ttyUSB4"
    ports[:] = [info("/dev/ttyUSB1", serial_number="A1", location="1-9")]  # in another socket
    assert where_now("/dev/ttyUSB0", identity) == "/dev/ttyUSB1"
    ports[:] = [info("/dev/ttyUSB1", serial_number="Z9", location="1-9")]  # not this one
    assert where_now("/dev/ttyUSB0", identity) == "/dev/ttyUSB0"


def test_without_a_serial_number_the_socket_tells_two_devices_apart(ports: list[ListPortInfo]) -> None:
    ports += [info("/dev/ttyUSB0", location="1-1"), info("/dev/ttyUSB1", location="1-2")]
    identity = identity_of("/dev/ttyUSB1")
    ports[:] = [info("/dev/ttyUSB0", location="1-1"), info("/dev/ttyUSB2", location="1-2")]
    assert where_now("/dev/ttyUSB1", identity) == "/dev/ttyUSB2"
    ports[:] = [info("/dev/ttyUSB0", location="1-1")]
    assert where_now("/dev/ttyUSB1", identity) == "/dev/ttyUSB1"


def test_a_name_made_by_a_rule_leads_to_the_device(ports: list[ListPortInfo], tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    (tmp_path / "saw").symlink_to(device)
    ports.append(info(str(device)))
    assert identity_of(str(tmp_path / "saw")) is not None
    assert identity_of(str(tmp_path / "absent")) is None
    assert identity_of("socket://x:1") is None
    assert where_now("socket://x:1", None) == "socket://x:1"


def read_until_it_fails(port: Port) -> None:
    while port.read_some() == b"":
        pass


def test_a_network_port_is_closed_even_if_the_other_end_went_first() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = open_port(f"socket://127.0.0.1:{listener.getsockname()[1]}", baud=500_000)
        inner = port._serial._socket
        client, _ = listener.accept()
        client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))  # close with a reset
        client.close()
    with pytest.raises(LinkError, match=r"the other end has hung up.*; start again what offers the port"):
        read_until_it_fails(port)
    port.close()
    assert inner.fileno() == -1

"""Does the emulated board do what the chip's data sheet says, where libsimavr alone does not?

The data sheet is Atmel/Microchip DS40002061, "ATmega48A/PA/88A/PA/168A/PA/328/P", and DS40002211,
"ATmega640/1280/1281/2560/2561"; sections are named beside the checks.
The program that measures from inside is probe.c.
"""

from __future__ import annotations

import os
import re
import struct
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import serial
from board_driver import EmulatedBoard
from board_kinds import PROMISES, on_every_board

pytestmark = pytest.mark.board

TOV1, ICF1, INTF0, INTF1 = 0x01, 0x20, 0x01, 0x02
WRAP = 1 << 16


@pytest.fixture(scope="session")
def probe_elf(
    tmp_path_factory: pytest.TempPathFactory, repository: Path, build_step: Callable[..., None], board_name: str,
) -> Path:
    elf = tmp_path_factory.mktemp("probe") / "probe.elf"
    build_step(
        ["avr-gcc", f"-mmcu={board_name}", "-DF_CPU=16000000UL", "-Os", "-std=gnu11", "-Wall", "-Wextra", "-Werror",
         "-o", str(elf), str(repository / "tests" / "board" / "probe.c")],
        packages="gcc-avr avr-libc",
    )
    return elf


class Probe:
    """The probe program's port, and what its answers mean."""

    def __init__(self, board: EmulatedBoard, *, baud: int = 500_000) -> None:
        self.board = board
        self.port = serial.Serial(board.url, baud, timeout=20, exclusive=True)
        self.wait_for(lambda: board.stats()["port"]["open"])
        self.wait_until_listening()

    def wait_until_listening(self) -> None:
        self.wait_for(lambda: self.board.stats()["uart"]["bit_cycles"] == 32 and self.board.stats()["asleep"])

    def wait_for(self, true: Callable[[], bool]) -> None:
        deadline = time.monotonic() + 20
        while not true():
            assert time.monotonic() < deadline, "the board did not get there"
            time.sleep(0.002)

    def ask(self, letter: bytes, form: str) -> tuple[Any, ...]:
        self.port.write(letter)
        answer = self.port.read(struct.calcsize("<" + form))
        return struct.unpack("<" + form, answer)

    def tell(self, letter: bytes) -> None:
        received = self.board.stats()["uart"]["received"]
        self.port.write(letter)
        self.wait_for(lambda: self.board.stats()["uart"]["received"] > received)

    def play(self, cycles: Any, inputs: Any, *, width_cycles: int) -> int:
        start = self.board.inject_pulses(cycles, inputs, width_cycles=width_cycles)
        self.wait_for(lambda: not self.board.playing())
        return int(start)

    def captures(self) -> np.ndarray:
        """Ticks of the edges captured since the last time, extended over the wraps in the usual way."""
        (count,) = self.ask(b"d", "B")
        ticks = []
        for _ in range(count):
            what, pending, wraps, edge = struct.unpack("<cBHH", self.port.read(6))
            assert what == b"c"
            ticks.append((wraps + (1 if pending and edge < 0x8000 else 0)) * WRAP + edge)
        return np.array(ticks, dtype=np.int64)


@pytest.fixture
def probe(start_board: Callable[..., EmulatedBoard], probe_elf: Path) -> Iterator[Probe]:
    probe = Probe(start_board(elf=probe_elf))
    yield probe
    probe.port.close()


EXTERNAL = {"atmega328p": 2, "atmega2560": 3}      # the input whose interrupt the probe program times


@on_every_board
@pytest.mark.parametrize("busy", [False, True], ids=["asleep", "busy"])
@pytest.mark.parametrize("canceller", [False, True], ids=["plain", "canceller"])
def test_capture_is_exact_at_every_offset_around_the_wrap(probe: Probe, busy: bool, canceller: bool) -> None:
    # 16-bit Timer/Counter1, "Input Capture Unit": the count of the edge is copied to ICR1; "TOV1 will be set in the
    # same timer clock cycle as TCNT1 becomes zero" ("Modes of Operation", Normal Mode)
    if canceller:
        probe.tell(b"n")
    probe.tell(b"y" if busy else b"z")
    offsets = np.arange(-60, 61)
    zero = probe.board.stats()["counter_zero_cycle"]
    first = zero + 40 * WRAP
    edges = first + np.arange(offsets.size) * WRAP + offsets
    probe.board.inject_pulses(edges, 1, width_cycles=500, absolute=True)
    probe.board.tell("speed max")
    probe.wait_for(lambda: not probe.board.playing())
    probe.board.tell("speed realtime")
    ticks = probe.captures()
    fallen, _ = probe.board.truth()
    constant = np.unique(ticks - (fallen - fallen[0]))
    assert ticks.size == offsets.size
    assert constant.size == 1
    # "Noise Canceler": four equal samples, four additional system clock cycles of delay
    zero = probe.board.stats()["counter_zero_cycle"]
    assert (fallen[0] + (4 if canceller else 0) - zero) % WRAP == ticks[0] % WRAP


@on_every_board
def test_interrupt_response_is_that_of_the_data_sheet(probe: Probe, board_name: str) -> None:
    # "Interrupt Response Time": four cycles minimum, four more from sleep, four for the return; five each with a 22-bit
    # program counter.  "Instruction Set Summary": jmp 3, push, pop, lds and sts 2; lds reads in its second cycle ("Data
    # Memory Access Times")
    response = {"atmega328p": 4, "atmega2560": 5}[board_name]
    vector_to_read = 3 + 2 + 1
    for letter, least, most in (     # awake, one instruction may have to end first
        (b"z", 2 * response, 2 * response), (b"y", response, response + 3),
    ):
        probe.tell(letter)
        latencies = []
        for n in range(24):
            start = probe.play([1000 + n], EXTERNAL[board_name], width_cycles=300)
            (count,) = probe.ask(b"i", "H")
            zero = probe.board.stats()["counter_zero_cycle"]
            if count > 200:  # else the counter's wrap, an interrupt itself, has just ended the sleep
                latencies.append((count - (start + 1000 + n - zero)) % WRAP - vector_to_read)
        assert len(latencies) > 12
        assert min(latencies) == least
        assert max(latencies) <= most
    taken = probe.board.stats()["isr"]["INT0" if board_name == "atmega328p" else "INT5"]
    assert taken["shortest_cycles"] == taken["longest_cycles"] == response + 3 + 6 * 2 + response


@pytest.mark.parametrize("board_name", PROMISES)
def test_registers_and_vectors_are_those_of_avr_libc(repository: Path, board_name: str) -> None:
    table = (repository / "firmware" / "bench" / "kinds.c").read_text()
    own = re.search(rf'\.mcu = "{board_name}",(.*?)\n    \}}', table, re.DOTALL)
    assert own is not None
    said = re.findall(r"/\* (\w+) \*/ (0x[0-9A-F]+|\d+)", own[1])
    names = re.findall(r'"(\w+)"', own[1])
    number = {name: n for n, name in enumerate(names)}
    lines = [f'"{name}" {name}_vect_num' if name in number else f'"{name}" {name}' for name, _ in said]
    lines += [f'"{name}" {name}_vect_num' for name in names[1:]]
    lines += ['"sram" RAMSTART', '"eeprom" E2END + 1']
    read = subprocess.run(
        ["avr-gcc", f"-mmcu={board_name}", "-E", "-P", "-"], input="#include <avr/io.h>\n" + "\n".join(lines),
        capture_output=True, text=True, check=True,
    ).stdout
    true: dict[str, int] = {}
    for name, words in re.findall(r'^"(\w+)" (.*)$', read, re.MULTILINE):
        plain = re.sub(r"\(\*\(volatile uint(?:8|16)_t \*\)(.*)\)$", r"\1", words)
        assert re.fullmatch(r"[0-9A-Fa-fxX()+ ]+", plain), words
        true[name] = sum(int(term.strip("() "), 0) for term in plain.split("+"))
    assert len(said) > 15
    for name, value in said:
        assert int(value, 0) == true[name], name
    for name in names[1:]:
        assert number[name] == true[name], name
    assert int(re.search(r"\.sram = (\w+)", own[1])[1], 0) == true["sram"]  # type: ignore[index]
    assert re.search(r"\.eeprom_bytes = (\d+)", own[1])[1] == str(true["eeprom"])  # type: ignore[index]
    for field, name in (("rx", "USART0?_RX"), ("udre", "USART0?_UDRE"), ("tx", "USART0?_TX"), ("ee_ready", "EE_READY")):
        (vector,) = (n for each, n in number.items() if re.fullmatch(name, each))
        assert re.search(rf"\.{field}_vector = (\d+)", own[1])[1] == str(vector)  # type: ignore[index]


def test_a_program_for_an_unknown_chip_is_refused(
    bench_program: Path, build_step: Callable[..., None], tmp_path: Path,
) -> None:
    (tmp_path / "other.c").write_text("int main(void) { return 0; }\n")
    build_step(
        ["avr-gcc", "-mmcu=atmega88", "-o", str(tmp_path / "other.elf"), str(tmp_path / "other.c")],
        packages="gcc-avr avr-libc",
    )
    for path, said in (("other.elf", "atmega328p atmega2560"), ("other.c", "not an AVR program")):
        done = subprocess.run(
            [bench_program, "--elf", tmp_path / path, "--control", "none"], capture_output=True, text=True, check=False,
        )
        assert done.returncode == 1
        assert said in done.stderr


@pytest.mark.parametrize("letter", [b"w", b"W"], ids=["a-one-written", "sbi"])
def test_a_one_clears_its_own_flag_only(probe: Probe, letter: bytes) -> None:
    # "TIFR1", "EIFR": cleared by writing a logic one to its bit location; "Register Summary", note 3: CBI and SBI
    # operate on the specified bit only
    probe.tell(b"k")
    probe.play([0, 500, 1000], [1, 2, 3], width_cycles=100)
    probe.wait_for(lambda: probe.ask(b"f", "BB") == (TOV1 | ICF1 | 0x06, INTF0 | INTF1))   # compare flags: OCR1x is 0
    probe.tell(letter)
    timer, external = probe.ask(b"f", "BB")
    assert timer == TOV1 | 0x06
    assert external == (INTF0 if letter == b"w" else INTF0 | INTF1)


def test_a_flag_that_waited_for_its_enable_is_served(probe: Probe) -> None:
    # "External Interrupts": INTF0 is set by the edge; "if the I-bit in SREG and the INT0 bit in EIMSK are set, the MCU
    # will jump to the corresponding Interrupt Vector"
    probe.tell(b"k")
    start = probe.play([0], 2, width_cycles=100)
    assert "INT0" not in probe.board.stats()["isr"]
    probe.tell(b"K")
    probe.wait_for(lambda: "INT0" in probe.board.stats()["isr"])
    assert probe.board.stats()["isr"]["INT0"]["longest_wait_cycles"] > 100
    assert start > 0


def test_the_noise_canceller_wants_four_samples(probe: Probe) -> None:
    # "Noise Canceler": "four samples must be equal for changing the output"
    probe.tell(b"n")
    probe.play(np.arange(8) * 20_000, 1, width_cycles=3)
    assert probe.captures().size == 0
    probe.play(np.arange(8) * 20_000, 1, width_cycles=4)
    assert probe.captures().size == 8
    probe.tell(b"N")
    probe.play(np.arange(8) * 20_000, 1, width_cycles=1)
    assert probe.captures().size == 8


def test_a_byte_takes_ten_bits(probe: Probe) -> None:
    # "USART", "Internal Clock Generation": baud = f/(16 (UBRR+1)), f/(8 (UBRR+1)) at double speed. The program's own
    # loop notices the free buffer up to eight cycles late.
    for letter, bit_cycles in ((b"U", 4 * 8), (b"u", 2 * 16), (b"s", 17 * 8)):
        probe.tell(letter)
        probe.port.baudrate = round(16e6 / bit_cycles)
        (lead, taken) = probe.ask(b"t", "3sH")
        assert lead == b"UUU"
        assert 0 <= taken - 10 * bit_cycles <= 8


def test_an_eeprom_byte_takes_its_time_and_stays(probe: Probe) -> None:
    # "EEPROM Mode Bits": erase and write in one operation 3.4 ms = 54,400 cycles
    taken, read_back = probe.ask(b"e", "HB")
    assert 54_400 <= taken <= 54_400 + 100
    assert read_back == 0xA7
    probe.board.tell("flush")
    kept = probe.board.eeprom_file.read_bytes()
    assert len(kept) == 1024
    assert kept[7] == 0xA7
    assert probe.board.eeprom() == kept


@pytest.mark.parametrize(("how", "left"), [("old", 0xFF), ("erased", 0xFF), ("half", 0xA7 | 0x5A), ("new", 0xA7)])
def test_the_supply_fails_in_the_middle_of_an_eeprom_write(probe: Probe, how: str, left: int) -> None:
    probe.board.tell(f"cut 1 {how}")
    probe.port.write(b"e")
    probe.wait_for(lambda: "cut 1" in probe.board.events)
    assert probe.board.eeprom()[7] == left
    assert probe.board.eeprom_file.read_bytes()[7] == left
    probe.board.tell("power on")
    probe.wait_until_listening()
    assert probe.ask(b"m", "B") == (0x01,)


def test_reset_causes(probe: Probe) -> None:
    # "MCUSR": PORF bit 0, EXTRF bit 1, WDRF bit 3
    assert probe.ask(b"m", "B") == (0x01,)
    probe.board.reset()
    probe.wait_until_listening()
    assert probe.ask(b"m", "B") == (0x02,)
    probe.port.write(b"x")
    probe.wait_for(lambda: any(e.startswith("watchdog") for e in probe.board.events))
    probe.wait_until_listening()
    assert probe.ask(b"m", "B") == (0x08,)
    probe.board.tell("power off")
    probe.board.tell("power on")
    probe.wait_until_listening()
    assert probe.ask(b"m", "B") == (0x01,)


def test_a_host_at_twice_the_baud_hears_what_its_own_bits_sample(probe: Probe) -> None:
    # By hand: 0x55 is 0 10101010 1 on the line; sampled twice a bit, start bit first, the faster receiver reads
    # 0|01100110|0 = 0x66 with a low stop bit, then from the next fall 0|01100111|1 = 0xE6.
    probe.tell(b"G")
    probe.port.baudrate = 1_000_000
    probe.wait_for(lambda: probe.board.stats()["port"]["baud"] == 1_000_000)
    probe.board.tell("pulse +1000 3 200")
    assert probe.port.read(2) == b"\x66\xe6"


def test_wrong_baud_then_right(start_board: Callable[..., EmulatedBoard], probe_elf: Path) -> None:
    probe = Probe(start_board(elf=probe_elf), baud=115_200)
    probe.port.write(b"mmmm")
    probe.wait_for(lambda: probe.board.stats()["port"]["garbled_to_board"] == 4)
    probe.port.baudrate = 500_000
    probe.wait_for(lambda: probe.board.stats()["port"]["baud"] == 500_000)
    probe.port.write(b"mm")
    assert probe.port.read_until(b"\x01\x01").endswith(b"\x01\x01")       # after whatever the garbage made it say
    probe.port.close()


def test_the_port_survives_the_host_and_a_replug(probe: Probe) -> None:
    probe.port.close()
    probe.wait_for(lambda: not probe.board.stats()["port"]["open"])
    again = Probe(probe.board)
    assert again.ask(b"m", "B") == (0x01,)
    before = os.path.realpath(probe.board.url)
    probe.board.tell("unplug")
    assert not Path(probe.board.url).exists()
    with pytest.raises((OSError, serial.SerialException)):
        again.port.read(1)
    again.port.close()
    path = probe.board.tell("plug")
    assert os.path.realpath(probe.board.url) == path != before
    third = Probe(probe.board)
    assert third.ask(b"m", "B") == (0x01,)
    third.port.close()


def read_slowly(probe: Probe, sent: int) -> bytes:
    """Reads only once the board stands still, or has sent all."""
    before = probe.board.stats()["uart"]["sent"]
    stood = [before, before]

    def still() -> bool:
        time.sleep(0.1)
        stood.append(probe.board.stats()["uart"]["sent"])
        return stood[-1] > before and stood[-1] == stood[-3]

    probe.wait_for(still)
    data = b""
    while len(data) + probe.board.stats()["port"]["lost"] < sent:
        data += probe.port.read(min(4096, sent - len(data)))
    return data


def test_a_slow_host_holds_the_board_up_or_loses_bytes_that_are_counted(probe: Probe) -> None:
    probe.board.tell("speed 5")
    probe.tell(b"o")
    assert read_slowly(probe, 120_000) == bytes(n % 256 for n in range(120_000))
    assert probe.board.stats()["port"]["lost"] == 0
    probe.board.tell("speed realtime")
    probe.port.timeout = 0.1
    probe.tell(b"o")
    received = len(read_slowly(probe, 120_000))
    lost = probe.board.stats()["port"]["lost"]
    assert lost > 0
    assert received + lost == 120_000


def test_opening_the_port_can_reset_the_board(start_board: Callable[..., EmulatedBoard], probe_elf: Path) -> None:
    board = start_board("--reset-on-open", elf=probe_elf)
    assert board.stats()["resets"]["pin"] == 0
    probe = Probe(board)
    assert board.stats()["resets"]["pin"] == 1
    assert probe.ask(b"m", "B") == (0x02,)
    probe.port.close()


def test_seconds_become_cycles_of_a_clock_that_is_off(
    start_board: Callable[..., EmulatedBoard], probe_elf: Path,
) -> None:
    board = start_board("--ppm", "4000", elf=probe_elf)
    board.tell("edge 0.5s 1 0")
    board.tell("edge 0.75s 3 0")
    while board.playing():
        time.sleep(0.01)
    cycles, inputs = board.truth()
    assert inputs.tolist() == [1, 3]
    assert cycles.tolist() == [round(0.5 * 16e6 * 1.004), round(0.75 * 16e6 * 1.004)]


def test_a_live_stream_is_never_overtaken(
    start_board: Callable[..., EmulatedBoard], probe_elf: Path, tmp_path: Path,
) -> None:
    fifo = tmp_path / "live"
    os.mkfifo(fifo)
    board = start_board("--speed", "max", "--edges", str(fifo), elf=probe_elf)
    with fifo.open("w") as stream:
        for n in range(1, 200):
            stream.write(f"# comment\n{n * 5_000} 1 0\n{n * 5_000 + 40} 1 1\n")
        stream.write("2000000 .\n")
        stream.flush()
        while board.cycle() < 2_000_000:
            time.sleep(0.002)
    assert board.cycle() == 2_000_000
    cycles, inputs = board.truth()
    assert cycles.tolist() == [n * 5_000 for n in range(1, 200)]
    assert set(inputs.tolist()) == {1}
    assert board.stats()["edges"]["late"] == 0


def test_mistakes_are_answered_in_a_sentence(probe: Probe) -> None:
    for command, said in (
        ("jump", 'no command "jump"'), ("edge 5 9 0", "WHEN INPUT LEVEL"), ("play nowhere +5", "nowhere"),
        ("play nowhere +-5", "WHEN"), ("supply 12000", "millivolts"), ("cut 5 sideways", "old|erased|half|new"),
    ):
        with pytest.raises(RuntimeError, match=re.escape(said)):
            probe.board.tell(command)

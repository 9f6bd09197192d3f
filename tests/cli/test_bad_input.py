"""Is every mistake that a user can make answered by one line that says what, where and what to do?

One row a mistake: the words typed, the exit status (2: input or usage wrong, 1: the work failed), and what the line
must hold.  Nothing may end in a traceback, and nothing that exists may be written over.
"""

import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import Result

from kerfbeat.capture import wire
from kerfbeat.capture import wire_numbers as numbers
from kerfbeat.capture.link import BoardLink
from kerfbeat.machine import demo_text

Run = Callable[..., Result]

posix_only = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are a POSIX thing")
PATIENCE_S = 0.8  # instead of several seconds for a board that never answers
WHEEL_ONLY = 'name = "x"\n[wheel]\ndiameter = "330 mm"\n[sensor.wheel]\ntargets = 4\n'


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(BoardLink.__init__.__kwdefaults__, "patience_s", PATIENCE_S)


def _one_line(result: Result, *, status: int, words: tuple[str, ...]) -> None:
    assert result.exit_code == status, result.output
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    assert "Traceback" not in result.output
    assert lines[0].startswith("kerfbeat: ")
    assert "a fault in kerfbeat itself" not in lines[0]
    for word in words:
        assert word in lines[0], f"{word!r} is not in {lines[0]!r}"


# Usage


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("wach --port sim://", ('there is no command or option "wach"', 'did you mean "watch"?')),
        ("watch --prot sim://", ("--prot", "Help: kerfbeat watch --help")),
        ("watch", ("no port given; add --port P", "sim:// is a simulated saw")),
        ("watch --port sim", ('"sim" is no port', "the simulated saw is written sim://")),
        ("watch --port SIM:/", ('"SIM:/" is no port', "the simulated saw is written sim://")),
        ("calibrate wheel --port", ("requires an argument", "Help: kerfbeat calibrate wheel --help")),
        ("calibrate --port", ("requires an argument", "Help: kerfbeat calibrate --help")),
        ("watch --port", ("requires an argument", "Help: kerfbeat watch --help")),
        ("watch --port /dev/null", ("no machine file given; add --machine M",)),
        ("record --port sim:/ -o a.csv", ('"sim:/" is no port', "the simulated saw is written sim://")),
        ("compare a.csv b.csv ./a.csv", ("named twice",)),
        ("check --port sim://steady?speed=10", ("speed=10: a command reads the board in real time", "simulate")),
        ("watch --port sim:// --hz fast", ('"fast" is no frequency', "such as 45.5")),
        ("watch --port sim:// --gear third", ('there is no gear "third"; choose low, high',)),
        ("watch --port sim:// --belt low", ("no belt to choose",)),
        ("watch --port sim:// --every 5", ('"5" has no unit', '"30 s"')),
        ("watch --port sim:// --every 5mm", ('"5mm" is a length, not a time',)),
        ("watch --port sim:// --unit knots", ("'knots'", "m/min")),
        ("watch --port sim:// --baud fast", ('"fast" cannot be; write a whole number from 1 up', "--baud")),
        ("watch --port sim:// --baud 0", ('"0" cannot be; write a whole number from 1 up',)),
        ("record --port sim://", ("--log",)),
        ("record --port sim:// -o a.csv --for 0s", ('"0s" cannot be', "above zero")),
        ("check --port sim:// --for -3s", ('"-3s" cannot be', "above zero")),
        ("watch --port sim:// --every -1s", ('"-1s" cannot be', "above zero")),
        ("speed a.csv --from 50s --to 10s", ("--from and --to leave nothing", "--to must be later")),
        ("speed", ("LOG",)),
        ("speed a.csv b.csv", ('"b.csv" is too much: it takes LOG and options', "drift, compare and report take")),
        ("predict a.toml b.toml", ('"b.toml" is too much: it takes MACHINE and options',)),
        ("watch sim://", ('"sim://" is too much: it takes options only',)),
        ("speed a.csv --plot a.gif", ("a.gif", ".png, .svg, .pdf")),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_wrong_usage(run: Run, typed: str, words: tuple[str, ...]) -> None:
    _one_line(run(*typed.split()), status=2, words=words)


# Machine files


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ("saw.toml",)),
        ("name = ", ("saw.toml", "not valid TOML")),
        (WHEEL_ONLY.replace('"330 mm"', '"330"'), ("wheel.diameter", '"330" has no unit', '"160 mm"')),
        (WHEEL_ONLY.replace('"330 mm"', '"330 kg"'), ("wheel.diameter", "is a mass, not a length")),
        (WHEEL_ONLY.replace("diameter", "diametre"), ("diametre", "diameter")),
        (WHEEL_ONLY.replace("targets = 4", "targets = 0"), ("targets", "0")),
        (WHEEL_ONLY.replace("targets = 4", 'targets = "four"'), ("targets",)),
        (WHEEL_ONLY.replace("[sensor.wheel]\ntargets = 4\n", ""), ("sensor",)),
        (WHEEL_ONLY.replace("sensor.wheel", "sensor.weel"), ("weel", "wheel")),
        (WHEEL_ONLY + "[sensor.motor]\ntargets = 1\ninput = 1\n", ("input 1 is already taken",)),
        (WHEEL_ONLY.replace("sensor.wheel", "sensor.motor"), ("no sensor sees the blade's speed",)),
        (demo_text("saw").replace("poles = 4", "poles = 2"), ("poles = 4 would fit",)),
        ("\x00\x01\x02", ("saw.toml",)),
    ],
)
def test_wrong_machine_file(run: Run, saw_file: Path, text: str, words: tuple[str, ...]) -> None:
    saw_file.write_text(text, encoding="utf-8")
    _one_line(run("watch", "--port", "sim://", "--machine", saw_file), status=2, words=words)


@pytest.mark.parametrize("kind", ["absent", "folder", "latin-1"])
def test_machine_file_that_cannot_be_read(run: Run, tmp_path: Path, kind: str) -> None:
    path = tmp_path / "saw.toml"
    if kind == "folder":
        path.mkdir()
    if kind == "latin-1":
        path.write_bytes('name = "Säge"\n'.encode("latin-1"))
    _one_line(run("watch", "--port", "sim://", "--machine", path), status=2, words=(str(path),))


# Ports


@dataclass
class Talker:
    """A device on a pseudo-terminal that says the same thing again and again."""

    name: str
    board: int
    says: bytes
    stopped: threading.Event

    def run(self) -> None:
        while not self.stopped.wait(0.02):
            try:
                os.write(self.board, self.says)
                os.read(self.board, 4096)
            except OSError:
                continue


@pytest.fixture
def talker() -> Iterator[Callable[[bytes], str]]:
    """Makes a device that says `bytes` for ever; its name."""
    made: list[tuple[Talker, threading.Thread, int]] = []

    def make(says: bytes) -> str:
        import tty

        board, terminal = os.openpty()
        tty.setraw(terminal)
        os.set_blocking(board, False)
        device = Talker(name=os.ttyname(terminal), board=board, says=says, stopped=threading.Event())
        thread = threading.Thread(target=device.run, daemon=True)
        thread.start()
        made.append((device, thread, terminal))
        return device.name

    yield make
    for device, thread, terminal in made:
        device.stopped.set()
        thread.join()
        os.close(device.board)
        os.close(terminal)


@pytest.mark.parametrize(
    ("port", "words"),
    [
        ("/dev/does-not-exist", ("/dev/does-not-exist: no such port",)),
        ("COM99x", ("COM99x: no such port",)),
        ("nonsense://x", ("no such kind of port", "sim://")),
        ("/dev/null", ("is not a serial port",)),
        ("socket://localhost:1", ("nothing answers at that address",)),
    ],
)
@posix_only
def test_port_that_cannot_be_opened(run: Run, saw_file: Path, port: str, words: tuple[str, ...]) -> None:
    _one_line(run("watch", "--port", port, "--machine", saw_file), status=1, words=words)


def test_port_without_permission(run: Run, saw_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import serial

    def refuse(_self: object) -> None:
        raise serial.SerialException(13, "could not open port: [Errno 13] Permission denied")

    monkeypatch.setattr(serial.Serial, "open", refuse)
    result = run("watch", "--port", "/dev/ttyUSB0", "--machine", saw_file)
    _one_line(result, status=1, words=("/dev/ttyUSB0", "permission denied", "join the group", "log in again"))


@posix_only
def test_busy_port(run: Run, saw_file: Path, talker: Callable[[bytes], str]) -> None:
    import serial

    name = talker(b"")
    with serial.Serial(name, exclusive=True):
        _one_line(
            run("watch", "--port", name, "--machine", saw_file), status=1, words=("another program has the port open",)
        )


OTHER_VERSION = wire.encode(numbers.HELLO, 0, bytes([numbers.PROTOCOL + 1, 2, 3, 4]))
OLDER_VERSION = wire.encode(numbers.HELLO, 0, bytes([numbers.PROTOCOL - 1, 0, 9, 0]))


@pytest.mark.parametrize(
    ("says", "words"),
    [
        (b"", ("nothing comes", "check cable and power")),
        (b"$GPGGA,123519,4807.038,N*47\r\n", ("talks something else", "$GPGGA")),
        (bytes(range(256)), ("talks something else",)),
        (OTHER_VERSION, ("protocol 2 (firmware 2.3.4)", "update kerfbeat")),
        (OLDER_VERSION, ("protocol 0 (firmware 0.9.0)", "flash the firmware")),
    ],
    ids=["silent", "text", "all bytes", "newer board", "older board"],
)
@posix_only
def test_device_that_is_no_board_of_ours(
    run: Run, saw_file: Path, talker: Callable[[bytes], str], says: bytes, words: tuple[str, ...]
) -> None:
    name = talker(says)
    for command in (["watch"], ["check"], ["record", "-o", saw_file.with_name("run.csv")]):
        result = run(*command, "--port", name, "--machine", saw_file)
        _one_line(result, status=1, words=(name, *words))
        assert not saw_file.with_name("run.csv").exists()


# Logs


def _cut_header(text: str) -> str:
    return "".join(text.splitlines(keepends=True)[:20])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda _: "", ("empty",)),
        (lambda _: "hello\nworld\n", ("is not a pulse log", "kerfbeat import")),
        (lambda _: "channel,seconds\nwheel,0.1\n", ("import",)),
        (lambda text: text.replace("log 1", "log 9", 1), ("version '9'", "version 1", "update kerfbeat")),
        (_cut_header, ("header",)),
        (lambda text: text.replace("targets = 4", "targets = 0", 1), ("targets",)),
        (lambda text: text + "pulse,wheel,later,\n", ("'later'", "line")),
        (lambda text: text + "pulse,elbow,999999999999,\n", ("elbow", "line")),
        (lambda text: text + "pulse,wheel,5,\nmark,,999999999,log=end\n", ("line",)),
    ],
    ids=["empty", "text", "csv", "version", "cut header", "machine", "tick", "channel", "backwards"],
)
def test_wrong_log(run: Run, steady_log: Path, change: Callable[[str], str], words: tuple[str, ...]) -> None:
    steady_log.write_text(change(steady_log.read_text(encoding="utf-8")), encoding="utf-8")
    result = run("speed", steady_log)
    _one_line(result, status=2, words=(str(steady_log), *words))


@pytest.mark.parametrize("kind", ["absent", "folder", "binary"])
def test_log_that_cannot_be_read(run: Run, tmp_path: Path, kind: str) -> None:
    path = tmp_path / "run.csv"
    if kind == "folder":
        path.mkdir()
    if kind == "binary":
        path.write_bytes(bytes(range(256)) * 40)
    _one_line(run("speed", path), status=2, words=(str(path), "is a folder; give one of its logs" * (kind == "folder")))


@pytest.mark.parametrize("keep", [0.999, 0.9, 0.5])
def test_log_that_was_cut_off_gives_what_it_holds_with_a_warning(run: Run, steady_log: Path, keep: float) -> None:
    whole = steady_log.read_bytes()
    steady_log.write_bytes(whole[: int(len(whole) * keep)])
    result = run("speed", steady_log)
    assert result.exit_code == 0
    assert "warning" in result.stderr
    assert "Traceback" not in result.output


def test_log_is_never_written_over(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text("precious")
    _one_line(run("record", "--port", "sim://", "-o", path, "--for", "1s"), status=2, words=(str(path), "exists"))
    assert path.read_text() == "precious"


def test_plot_into_a_folder_that_is_not_there(run: Run, steady_log: Path, tmp_path: Path) -> None:
    result = run("speed", steady_log, "--plot", tmp_path / "nowhere" / "a.png")
    _one_line(result, status=2, words=("nowhere", "no such file or folder"))

"""Does a text from a stranger, in any name, note or path, stay a text in all that any command shows or writes?

One machine and one log whose names, marks and file names drive a terminal, turn the direction of writing, are formulas,
pages and mathematics; every command on them; every kind of what comes out looked at.
"""

import csv
import json
import os
import pty
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest

from kerfbeat import cli
from kerfbeat.machine import demo_text

from .limited import Commands

CONTROL = "\x1b[2J\x1b]0;owned\x07"  # clears the screen, names the window
TURNED = "\u202egnp.exe\u2066\u200f"  # reads from the right (Unicode Standard Annex 9)
PAGE = "<script>alert(1)</script>&amp;<img src=x>"
MATHEMATICS = "$\\frac{1}{0$ $x_{}^$"
LONG = bool(os.environ.get("KERFBEAT_LONG"))
FORMULA = "=1+cmd|' /c calc'!A0"
ALL = f"{FORMULA} {CONTROL} {TURNED} {PAGE} {MATHEMATICS}"
VISIBLE = f"=1+calc() <script>a()</script>&amp; {MATHEMATICS}"  # what a name that must be printable may still hold
GEAR = "+1 <b>&amp $x^{$"  # and a gear's, which stands in marks and options

LOG, MACHINE, REFUSED = f"{CONTROL}{TURNED}$x^$&.csv", f"{CONTROL}.toml", f"{TURNED}.toml"

# Every command, with each kind of output; {log}, {machine}, {refused}: those files; OUT.x: what it writes.
TYPED = (
    "speed {log}", "speed {log} --plot OUT.svg",
    "export {log} -o OUT.csv", "export {log} --every 1s -o OUT.csv",
    "import pulses.csv --machine {machine} --hz 50 -o OUT.csv",
    "slip {log}",
    "drift {log} --plot OUT.svg", "orders {log} --plot OUT.svg",
    "compare {log} {log}",
    "report {log} -o OUT.pdf", "report {log} -o OUT.html",
    "calibrate targets {log} --dry-run",
    "predict {machine} --json", "predict {machine} --plot OUT.svg",
    "choose {machine} --speed 80m/min",
    "size {machine} --low 20m/min --high 80m/min",
    "mount {machine}", "materials {text}",
    "describe -o {log}",
    "chart {machine} -o OUT.pdf", "dial {machine} -o OUT.pdf", "strip {machine} -o OUT.pdf",
    "simulate steady --machine {machine} --duration 2s -o OUT.csv", "simulate {text}", "configure --port {text}",
    "check --port sim:// --machine {machine} --for 1s", "record --port sim:// --machine {machine} --for 1s -o OUT.csv",
    "watch --port {text} --machine {machine}", "{text}", "speed {text}", "predict {refused}",
    "chart {refused} -o OUT.pdf", "speed {log} --{text}", "predict {text}",
    "predict {machine} --gear {text}", "report {log} -o {text}.pdf/x.pdf", "speed {log} --plot {text}.png/x.png",
)  # fmt: skip


MORE = (
    "speed {log} --json", "speed {log} --plot OUT.pdf", "speed {log} --budget", "export {log} --speed",
    "slip {log} --json", "slip {log} --plot OUT.svg", "drift {log} --json", "drift {log} {log}",
    "orders {log} --json", "orders {log}", "compare {log} {log} --json", "compare {log} {log} --plot OUT.svg",
    "report {log} {log} -o OUT.html", "calibrate clock {log} --dry-run", "calibrate wheel {log} --dry-run",
    "calibrate drive {log} --dry-run", "choose {machine} --speed 80m/min --json",
    "size {machine} --low 20m/min --high 80m/min --json", "mount {machine} --json",
    "mount {machine} --plot OUT.svg", "report {log} --json", "calibrate targets {log} --dry-run --json",
    "predict {machine}",
)  # fmt: skip


def machine_text(name: str) -> str:
    """The saw, each name of it a trap."""

    def toml(text: str) -> str:
        return json.dumps(text).replace("\x7f", "\\u007f")

    text = demo_text("saw").replace("Shared-workshop cut-off saw (invented example)", toml(name)[1:-1])
    return text.replace('"first belt"', toml(VISIBLE)).replace("low = 30", f"{toml(GEAR)} = 30")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shown")
    (folder / "pulses.csv").write_text("channel,seconds\n" + "".join(f"wheel,{k / 4}\n" for k in range(40)))
    (folder / MACHINE).write_text(machine_text(VISIBLE), encoding="utf-8")
    (folder / REFUSED).write_text(machine_text(f"{CONTROL}{TURNED}"), encoding="utf-8")
    (folder / "plain.toml").write_text(demo_text("saw"), encoding="utf-8")
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    subprocess.run(
        [sys.executable, "-m", "kerfbeat", "simulate", "steady", "--machine", MACHINE, "--duration", "40s", "-o",
         "made"],
        cwd=folder, check=True, capture_output=True, env=environment,
    )  # fmt: skip
    rows = (folder / "made").read_text(encoding="utf-8")
    escaped = ALL.encode("unicode_escape").decode("ascii")
    head, _, last = rows.rstrip("\n").rpartition("\n")
    tick = last.split(",")[2]
    marks = f"mark,,{tick},note={escaped}\nmark,,{tick},gear={escaped}\n"
    raw = f"mark,,{tick},note={TURNED}{PAGE}{MATHEMATICS}\n"
    (folder / LOG).write_text(f"{head}\n{marks}{raw}{last}\n", encoding="utf-8")
    (folder / "made").unlink()
    return folder


@pytest.fixture(scope="module")
def commands(folder: Path) -> Iterator[Commands]:
    with Commands(folder, most_s=60) as commands:
        yield commands


def harmless_text(text: str, typed: str) -> None:
    odd = {c for c in text if not c.isprintable() and c != "\n"}
    assert not odd, f"{typed}: shows {odd}"


class Page(HTMLParser):
    """What a browser would take for tags."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.drawings: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        assert not any(name.startswith("on") for name, _ in attrs)
        source = dict(attrs).get("src")
        assert source is None or source.startswith("data:image/svg+xml;base64,")

    handle_startendtag = handle_starttag


def look_at(path: Path, typed: str) -> None:
    """A file that a command wrote is well formed and holds nothing that acts."""
    content = path.read_bytes()
    match path.suffix:
        case ".svg":
            tree = ElementTree.fromstring(content)
            assert not [each for each in tree.iter() if each.tag.endswith(("script", "foreignObject", "image"))]
        case ".html":
            page = Page()
            page.feed(content.decode("utf-8"))
            assert "script" not in page.tags
            harmless_text(content.decode("utf-8"), typed)
        case ".pdf":
            said = subprocess.run(["pdftotext", path, "-"], check=True, capture_output=True).stdout.decode("utf-8")
            harmless_text(said.replace("\f", ""), typed)
            assert not re.search(rb"/(JavaScript|JS|Launch|URI)\b", content)
        case ".csv":
            text = content.decode("utf-8")
            if typed.startswith("export"):
                harmless_text(text, typed)
                for row in csv.reader(text.splitlines()):
                    for cell in row:
                        assert not cell.startswith(("=", "+", "@", "\t", "\r"))
                        assert not cell.startswith("-") or re.fullmatch(r"-[\d.e+-]+", cell)
            else:
                assert not [row for row in text.splitlines() if row.startswith(("=", "+", "-", "@"))]
                harmless_text(text, typed)


def test_every_command_is_in_the_table() -> None:
    apart = {"calibrate", "watch", "record", "check", "configure"}
    assert {typed.split()[0] for typed in TYPED} >= {entry.name for entry in cli.COMMANDS} | apart


def test_every_command(folder: Path, commands: Commands, say: Callable[[str], None]) -> None:
    results = refusals = 0
    asked = TYPED + (MORE if LONG else ())
    for typed in asked:
        words = [
            word.format(log=LOG, machine=MACHINE, refused=REFUSED, text=f"{CONTROL}{TURNED}{PAGE}")
            for word in typed.split()
        ]
        before = {path: path.read_bytes() for path in folder.rglob("*")}
        outcome = commands.run(*words)
        shown = outcome.out.decode("utf-8") + outcome.err
        assert outcome.status in (0, 1, 2), f"{typed}: {outcome}"
        assert "Traceback" not in shown, f"{typed}: {shown}"
        assert "a fault in kerfbeat" not in shown, f"{typed}: {shown}"
        harmless_text(shown, typed)
        if outcome.status == 0 and "--json" in words:
            json.loads(outcome.out)
        if outcome.status == 0 and typed == "export {log} --speed":
            assert not [line for line in outcome.out.decode().splitlines() if line.startswith(("=", "+", "@"))]
        results += outcome.status == 0
        refusals += outcome.status != 0
        wanted = {folder / word for word in words if word.startswith("OUT.")}
        for path in folder.rglob("*"):
            if path in before:
                assert path.read_bytes() == before[path], f"{typed} touched {path.name!r}"
            else:
                assert path in wanted, f"{typed} wrote {path.name!r}"
                look_at(path, typed)
                path.unlink()
        assert outcome.status != 0 or not wanted - {path for path in wanted if path not in before}, typed
    say(f"{len(asked)} commands on names that act: {results} gave a result, {refusals} one line, all of it only text")
    assert results > (40 if LONG else 20)


def test_the_live_screen(folder: Path) -> None:
    """On a terminal: what it gets are the screen's own sequences, never those of a name."""
    child, terminal = pty.fork()
    if child == 0:
        os.chdir(folder)
        os.environ |= {"TERM": "xterm-256color", "COLUMNS": "160", "LINES": "50"}
        line = ["kerfbeat", "watch", "--port", "sim://", "--machine", MACHINE]
        os.execv(sys.executable, [sys.executable, "-m", *line])
    got, until_s = b"", time.monotonic() + 60.0
    os.set_blocking(terminal, False)
    while time.monotonic() < until_s and b"calc" not in got:
        time.sleep(0.05)
        try:
            got += os.read(terminal, 1 << 16)
        except BlockingIOError:
            continue
        except OSError:
            break
    os.write(terminal, b"q")
    time.sleep(1.0)
    os.close(terminal)
    os.kill(child, 9)
    os.waitpid(child, 0)
    assert b"calc" in got  # the name is shown
    for acting in (b"\x1b]0;owned", b"\x1b[2J\x1b]", "\u202e".encode(), "\u2066".encode(), "\u200f".encode()):
        assert acting not in got

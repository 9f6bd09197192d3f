"""What does ngspice measure on one front end, with these parts?

Circuits and the ranges of their parts lie in circuits/; simulate.py beside this file asks at every corner.
"""

from __future__ import annotations

import csv
import itertools
import re
import subprocess
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

CIRCUITS = Path(__file__).resolve().parent / "circuits"

# In every circuit the target comes at 400 us.  Quiet: levels when all rests, and when the pin follows.
QUIET = """\
meas tran high_v FIND v(filt) AT=390u
meas tran low_v FIND v(filt) AT={late}
meas tran pin_high_v FIND v(pin) AT=390u
meas tran pin_low_v FIND v(pin) AT={late}
meas tran falls_s TRIG AT=400u TARG v(pin) VAL={half} FALL=1
meas tran rises_s TRIG AT=400u TARG v(pin) VAL={half} RISE=1
"""
# Noisy: how far bursts and edges drive it from there, before the target comes and while it is there.
NOISY = """\
meas tran high_v MIN v(filt) FROM=10u TO=390u
meas tran low_v MAX v(filt) FROM=480u TO=890u
meas tran pin_high_v MIN v(pin) FROM=10u TO=390u
meas tran pin_low_v MAX v(pin) FROM=480u TO=890u
"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Range:
    """One line of ranges.csv; values as ngspice reads them."""

    front_end: str
    group: str
    kind: str
    parameter: str
    first: str
    nominal: str
    second: str


def read_ranges(front_end: str) -> tuple[Range, ...]:
    """Lines of ranges.csv that hold for one front end."""
    with (CIRCUITS / "ranges.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    names = Range.__dataclass_fields__
    ranges = [Range(**{name: line[name] for name in names}) for line in lines]
    return tuple(each for each in ranges if each.front_end in {"all", front_end})


def number(text: str) -> float:
    """Value of a number as ngspice writes it: 2.2k, 0.5m, 10u, 2.31n."""
    scales = {"k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9}
    return float(text[:-1]) * scales[text[-1]] if text[-1] in scales else float(text)


def groups(ranges: Iterable[Range], *, kind: str) -> dict[str, list[Range]]:
    """Ranges of one kind by their group, in the order of the file."""
    found: dict[str, list[Range]] = {}
    for each in ranges:
        if each.kind == kind:
            found.setdefault(each.group, []).append(each)
    return found


def corners(ranges: Sequence[Range], *, kind: str) -> Iterator[dict[str, str]]:
    """Every combination of first and second over the groups of one kind: parameter to value."""
    by_group = list(groups(ranges, kind=kind).values())
    for ends in itertools.product((0, 1), repeat=len(by_group)):
        yield {
            each.parameter: each.second if end else each.first
            for end, members in zip(ends, by_group, strict=True)
            for each in members
        }


def deck(front_end: str, values: Mapping[str, str], *, noisy: bool, also: Sequence[tuple[str, str]] = ()) -> str:
    """The circuit as ngspice takes it: files included, parameters set, what is to be measured at its end.

    also : (old, new) pieces of text that are exchanged, for trials.
    Raises ValueError for an unknown parameter or piece.
    """
    text = (CIRCUITS / f"{front_end}.cir").read_text(encoding="utf-8")
    if not noisy:
        text = text.replace("noise.inc", "quiet.inc")
    text = re.sub(
        r"^\.include (\S+)$", lambda m: (CIRCUITS / m[1]).read_text(encoding="utf-8").rstrip(), text, flags=re.MULTILINE
    )
    for old, new in also:
        if old not in text:
            raise ValueError(f"{front_end}: nothing reads {old!r}")
        text = text.replace(old, new)
    for name, value in values.items():
        if name == "temperature":
            text = text.replace("\n.end\n", f"\n.temp {value}\n.end\n")
            continue
        text, count = re.subn(rf"^(\.param\b.*?\b{name}=)\S+", rf"\g<1>{value}", text, flags=re.MULTILINE)
        if count != 1:
            raise ValueError(f"{front_end}: parameter {name} stands {count} times in the circuit")
    asked = NOISY if noisy else QUIET.format(
        half=f"{number(values.get('vcc_v', '5')) / 2:g}", late=f"{399e-6 + number(values.get('stays', '500u')):g}"
    )
    return text.replace("\n.end\n", f"\n.control\nrun\n{asked}quit\n.endc\n.end\n")


def simulate(text: str) -> dict[str, float]:
    """Runs ngspice and reads what it measured.  Raises RuntimeError with its words if something is missing."""
    done = subprocess.run(["ngspice", "-b"], input=text, capture_output=True, text=True, check=False, timeout=60.0)
    found = {m[1]: float(m[2]) for m in re.finditer(r"^(\w+)\s+=\s+([-+\d.e]+)", done.stdout, re.MULTILINE)}
    missing = [name for name in re.findall(r"meas tran (\w+)", text) if name not in found]
    if missing or "aborted" in done.stderr:
        raise RuntimeError(f"ngspice gave no {', '.join(missing)}:\n{done.stdout[-1500:]}\n{done.stderr[-1500:]}")
    return found

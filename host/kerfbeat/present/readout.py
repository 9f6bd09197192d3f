"""How is the speed itself shown, large, and how its absence?

The colours of the screen are those of tempered steel: straw for the reading, blue for what was predicted, and plain
black on white, framed by a hatch, for silence.
"""

import textwrap
from collections.abc import Sequence

from rich.text import Text

from kerfbeat.present.bigtext import big
from kerfbeat.present.numbers import SPEED_UNITS, lasting, other_unit, short_number, speed_in
from kerfbeat.present.snapshot import BladeNow, Snapshot
from kerfbeat.present.steady import SteadyNumber
from kerfbeat.present.text import harmless

__all__ = ["SILENCE", "SILENT_WORDS", "STRAW", "UNSETTLED", "Readout"]

STRAW = "#f0d48a"
SILENCE = "bold #101010 on #f2efe6"
UNSETTLED = 0.5  # half-width over the reading: above, a large figure would say more than is known
FINEST = 0.34  # of the half-width: the place where it ends, at most (as numbers.decimals has it)
MOSTLY = 0.7  # of the half-width: what is less leaves the greater part of the variance to the blade's way in a turn
BESIDE = 20  # columns kept free beside the digits for units and uncertainty
SILENT_WORDS = {"silent": ("NO", "PULSES"), "signal lost": ("SIGNAL", "LOST"), "no link": ("NO", "LINK")}


class Readout:
    """The big digits with their units; remembers what they show, so that they stand still."""

    def __init__(self) -> None:
        self._steady = {unit: SteadyNumber() for unit in SPEED_UNITS}

    def text(self, now: Snapshot, unit: str, *, columns: int, rows: int) -> Text:
        """The whole area, `rows` lines."""
        blade = now.blade
        if blade.speed_m_per_s is None:
            for steady in self._steady.values():
                steady.forget()
        if blade.state in SILENT_WORDS:
            return _silence(now, unit, columns=columns, rows=rows)
        if blade.speed_m_per_s is not None:
            most_m_per_s = blade.speed_m_per_s.value + blade.speed_m_per_s.u95
            if blade.state == "slowing down" and blade.speed_m_per_s.u95 >= blade.speed_m_per_s.value:
                return _bound(most_m_per_s, unit, columns=columns, rows=rows)
            if blade.speed_m_per_s.u95 > UNSETTLED * blade.speed_m_per_s.value:
                words = [(speed_in(blade.speed_m_per_s, name), "") for name in (unit, other_unit(unit))]
                beside = [("not settled yet", f"bold {STRAW}"), ("", ""), *words]
                return _digits("?", beside, columns=columns, rows=rows)
            shown = {name: self._shown(now, name) for name in SPEED_UNITS}
            (figure, half), (other_figure, other_half) = shown[unit], shown[other_unit(unit)]
            beside = [
                (unit, f"bold {STRAW}"),
                (f"± {half}", STRAW),
                (_size_words(blade), STRAW),
                (f"{other_figure} {other_unit(unit)}", "bold"),
                (f"± {other_half}", ""),
            ]
            return _digits(figure, beside, columns=columns, rows=rows)
        if blade.slower_than_m_per_s is not None:
            return _bound(blade.slower_than_m_per_s, unit, columns=columns, rows=rows)
        return _digits("WAITING", [], columns=columns, rows=rows)

    def _shown(self, now: Snapshot, unit: str) -> tuple[str, str]:
        """Figure and half-width in a unit."""
        speed, turning = now.blade.speed_m_per_s, now.blade.turning_u95_m_per_s
        assert speed is not None
        convert = SPEED_UNITS[unit]
        # What all readings share must not hide that one differs from the next; but nobody reads a figure finer than
        # its ±.
        noise = speed.u95 if turning is None else max(turning, FINEST * speed.u95)
        return self._steady[unit].pair(
            convert(speed.value), convert(speed.u95), at_s=now.at_s, noise_u95=convert(noise)
        )


def _size_words(blade: BladeNow) -> str:
    """What most of the ± is of, where that was never measured."""
    speed, turning = blade.speed_m_per_s, blade.turning_u95_m_per_s
    mostly = speed is not None and turning is not None and turning < MOSTLY * speed.u95
    return f"{blade.channel} as described" if blade.described and mostly else ""


def _bound(most_m_per_s: float, unit: str, *, columns: int, rows: int) -> Text:
    """That it is slower than so much."""
    bounds = {name: short_number(convert(most_m_per_s)) for name, convert in SPEED_UNITS.items()}
    other = other_unit(unit)
    beside = [(unit, f"bold {STRAW}"), ("or slower", STRAW), ("", ""), (f"< {bounds[other]} {other}", "bold")]
    return _digits(f"<{bounds[unit]}", beside, columns=columns, rows=rows)


def _digits(figure: str, beside: Sequence[tuple[str, str]], *, columns: int, rows: int) -> Text:
    """Big figure to the left, small lines beside it, centred over the rows."""
    lines = list(big(figure, columns=columns - BESIDE - 2, rows=rows))
    if len(lines) == 1:  # no room for large ones; and a figure is never cut, since 12 would be a lie for 125
        lines = [figure if len(figure) <= columns - 2 else "…"]
    while len(lines) < len(beside):
        lines.append("")
    widest = len(lines[0])
    above = (rows - len(lines)) // 2
    text = Text("\n" * above, no_wrap=True)
    first = (len(lines) - len(beside)) // 2
    for row, line in enumerate(lines):
        words, style = beside[row - first] if 0 <= row - first < len(beside) else ("", "")
        text.append(f"  {line.ljust(widest)}", style=STRAW)
        text.append(f"  {words}", style=style)
        text.append("\n" if row < len(lines) - 1 else "")
    return text


def _silence(now: Snapshot, unit: str, *, columns: int, rows: int) -> Text:
    """Black on white, hatched, in words as large as fit: not to be taken for a reading of zero."""
    told = [part for line in _silence_words(now, unit) for part in textwrap.wrap(line, max(columns - 6, 1))]
    room, free = columns - 6, rows - 3 - len(told)
    words = SILENT_WORDS[now.blade.state]
    one_line = big(" ".join(words), columns=room, rows=max(free, 1))
    two_lines = [*big(words[0], columns=room, rows=max(free // 2, 1)), "", *big(words[1], columns=room, rows=free // 2)]
    large = two_lines if free >= 20 else one_line
    body = [*large, "", *told][: rows - 2]
    above = (rows - 2 - len(body)) // 2
    inside = [""] * above + body + [""] * (rows - 2 - len(body) - above)
    hatch = "▞" * columns
    text = Text(f"{hatch}\n", style=SILENCE, no_wrap=True)
    for line in inside:
        text.append(f"▞  {line[:room].ljust(room)}  ▞\n")
    return text.append(hatch)


def _silence_words(now: Snapshot, unit: str) -> list[str]:
    blade = now.blade
    if blade.state == "no link":
        return [f"No link to the board: {harmless(now.link.words)}.", "The blade may be running: nothing is known."]
    since = f": no pulse for {lasting(blade.silent_s)}" if blade.silent_s is not None else ""
    if blade.state == "signal lost":
        evidence = f", but {harmless(blade.evidence)}" if blade.evidence else ""
        return [f"Signal lost{since}{evidence}.", "It may be running, or the drive has parted. Check the sensor."]
    told = [f"Stopped, or signal lost{since}."]
    if blade.slower_than_m_per_s is not None:
        first, second = (
            f"{short_number(SPEED_UNITS[name](blade.slower_than_m_per_s))} {name}" for name in (unit, other_unit(unit))
        )
        told.append(f"If it turns, it is slower than {first} ({second}).")
    return [*told, "Never take this for proof that the blade stands still."]

"""What stands in each part of the live screen around the large reading?

Every function turns a snapshot into styled text of a given width; nothing here knows of keys, timers or layout.
"""

import textwrap

import numpy as np
from numpy.typing import NDArray
from rich.text import Span, Text

from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present import trend
from kerfbeat.present.numbers import SPEED_UNITS, at_least, counted, elapsed, lasting, plus_minus, short_number, written
from kerfbeat.present.readout import SILENT_WORDS, STRAW, UNSETTLED
from kerfbeat.present.snapshot import STATE_WORDS, ChannelNow, Snapshot
from kerfbeat.present.text import harmless
from kerfbeat.units import rpm

__all__ = [
    "alarm",
    "clock_words",
    "head",
    "health",
    "prospect",
    "sensors",
    "setting_words",
    "speed_trend",
    "state",
]

BLUE = "#7fb2dd"
DIM = "#98a2ab"
ALARM = "bold #101010 on #ff9a52"
SLIPS, SLIPS_MORE = "bold #ffffff on #b0124a", "#ffffff on #7a0c34"  # of its own, unlike silence and trouble

OTHER_WORDS = {"waiting": "no pulse yet", "signal lost": "signal lost", "no link": "unknown"}
FINEST_PERCENT = 0.3  # beside the band: a tenth is shown, whatever the reading is good to
INSIDE = "inside the band"
WIDE = 100  # columns from which there is room for more words
MARGIN = 8  # columns for the numbers of the trend's range
MOST_STATE_ROWS, MOST_ASKED_ROWS = 4, 9  # the state with a notice; with choices, of which none may be left out
COUNT_WIDTH = 4  # columns of each count where there is room
MOST_SLIP_U95_PERCENT = 20.0  # a slip less certain than that is not shown


def head(now: Snapshot, *, columns: int) -> Text:
    """Machine to the left, the running log to the right."""
    if now.log is None:
        right = "no log"
    else:
        right = f"● log {harmless(now.log.path.name)}  {elapsed(now.log.seconds)}  {counted(now.log.pulses, 'pulse')}"
    left = harmless(now.machine.name)
    room = max(columns - len(right) - 4, 8)
    left = left if len(left) <= room else f"{left[: room - 1]}…"
    text = Text(f" {left.ljust(room)}  ", style="bold")
    text.append(right, style="bold reverse" if now.log else DIM)
    return text


def state(now: Snapshot, unit: str, *, columns: int, asked: str = "") -> Text:
    """What the speed does now, whether a cut is running, and what is to be told; in lines of its own if it is long.

    asked : what may be chosen, while there is a question; it then stands where the notice would.
    """
    blade = now.blade
    words = STATE_WORDS[blade.state]
    if blade.state in ("speeding up", "slowing down") and blade.acceleration_m_per_s2 is not None:
        rate = abs(SPEED_UNITS[unit](blade.acceleration_m_per_s2))
        words = f"{words} by {short_number(rate)} {unit} each second"
    style = ALARM if blade.state in ("no pulses", *SILENT_WORDS) else f"bold {STRAW}"
    text = Text("  ", no_wrap=True).append(f" {words} ", style=style)
    if now.cutting:
        text.append("  ").append(" cutting ", style="bold reverse")
    told = harmless(asked or now.notice)
    if told and text.cell_len + 2 + len(told) <= columns:
        return text.append("  ").append(told, style=BLUE)
    if asked:  # each choice stays whole
        told = ", ".join(choice.replace(" ", "\u00a0") for choice in told.split(", "))
    most_rows = MOST_ASKED_ROWS if asked else MOST_STATE_ROWS
    for line in textwrap.wrap(told, max(columns - 4, 1))[: most_rows - 1]:
        text.append(f"\n   {line}".replace("\u00a0", " "), style=BLUE)
    return text


def alarm(now: Snapshot, *, columns: int, rows: int) -> Text:
    """A bar over the whole width for a target that is seen no more, and for what slips; with three rows also more."""
    gone = [channel for channel in now.channels if channel.gone]
    lines: list[tuple[str, str]] = []
    if gone:
        seen = "   ".join(f"{each.channel}: only {each.targets - each.gone} of {each.targets}" for each in gone)
        lines.append((f"▲▲  {seen} targets are seen  ▲▲".upper(), SLIPS))
    if gone and rows >= 3:
        lines.append(("one may have fallen off (keep clear of its path)", SLIPS_MORE))
    if now.slips:
        loud = "   ".join(slip.words.upper() for slip in now.slips)
        lines.append((f"▲▲  {loud}  ▲▲", SLIPS))
    elif gone and rows >= 3:
        lines.append(("when it stands, locked out: look for it, fasten it again in its place", SLIPS_MORE))
    if rows >= 3 and now.slips and not gone:
        worst = max(now.slips, key=lambda slip: slip.percent)
        since = lasting(worst.since_s)
        check = "blade tension, tyre, chips" if worst.what == "blade" else "belt tension, wear, oil"
        lines += [
            (f"for {since}, at most {worst.peak_percent:.1f} %, against {worst.against}", SLIPS_MORE),
            (f"ease the feed; when it stands, locked out: check {check}", SLIPS_MORE),
        ]
    text = Text(no_wrap=True)
    for number, (line, style) in enumerate(lines[:rows]):
        text.append("\n" if number else "")
        text.append(line.center(columns)[:columns].ljust(columns), style=style)
    return text


def setting_words(now: Snapshot) -> str:
    """The setting as the operator would say it."""
    chosen = now.setting
    parts = [f"{chosen.hz:g} Hz" if chosen.hz is not None else "hertz not entered"]
    parts += [f"gear {harmless(chosen.gear)}"] if chosen.gear else []
    parts += [f"belt {harmless(chosen.belt)}"] if chosen.belt else []
    return ", ".join(parts)


def prospect(now: Snapshot, unit: str, *, columns: int) -> Text:
    """Two lines: the setting with its predicted band, and where in it the reading lies."""
    convert = SPEED_UNITS[unit]
    low, high = now.prospect.low_m_per_s, now.prospect.high_m_per_s
    text = Text(f"  Set: {setting_words(now)}.", no_wrap=True)
    if low is None or high is None:
        told = f"{text.plain} {harmless(now.prospect.words)}"
        lines = textwrap.wrap(told, max(columns - 2, 1), subsequent_indent="  ")
        return Text("\n".join(lines), no_wrap=True, spans=[Span(text.cell_len, len(told) + 2 * len(lines), DIM)])
    text.append(f" Should run {short_number(convert(low))} to {short_number(convert(high))} {unit}", style=BLUE)
    speed = now.blade.speed_m_per_s
    if speed is not None and speed.u95 > UNSETTLED * speed.value:
        speed = None  # as for the large digits: its place would say more than is known
    words = "" if speed is None else _place_words(speed, low, high)
    room = columns - 5 - max(len(words), len("99.9 % below the band"))
    span = max(high - low, 0.02 * high)
    left, width = low - span, high - low + 2 * span
    cells = ["═" if low <= left + width * (cell + 0.5) / room <= high else "·" for cell in range(room)]
    text.append("\n  ")
    if speed is None:
        return text.append("".join(cells), style=BLUE)
    place = int((speed.value - left) / width * room)
    marker = "◀" if place < 0 else "▶" if place >= room else "◆"
    place = min(max(place, 0), room - 1)
    text.append("".join(cells[:place]), style=BLUE)
    text.append(marker, style=f"bold {STRAW}")
    text.append("".join(cells[place + 1 :]), style=BLUE)
    return text.append(f" {words}", style="" if words == INSIDE else "bold reverse")


def _place_words(speed: Estimate, low: float, high: float) -> str:
    """Where a reading lies, to the place of its ±, and never finer than a tenth."""
    if low <= speed.value <= high:
        return INSIDE
    edge, side = (low, "below") if speed.value < low else (high, "above")
    percent, _ = written(100 * abs(speed.value / edge - 1), max(100 * speed.u95 / edge, FINEST_PERCENT))
    return f"{percent} % {side} the band"


def speed_trend(
    times_s: NDArray[np.float64],
    speeds_m_per_s: NDArray[np.float64],
    *,
    now_s: float,
    span_s: float,
    unit: str,
    columns: int,
    rows: int,
) -> Text:
    """The last minutes: the range at the left, one column of blocks for each stretch, the span below.

    times_s, speeds_m_per_s : (n,), NaN where there was no reading.
    """
    room = columns - MARGIN - 2
    values = SPEED_UNITS[unit](1.0) * speeds_m_per_s
    means = trend.column_means(times_s, values, now_s=now_s, span_s=span_s, columns=room)
    known = means[np.isfinite(means)]
    shown = trend.fitting_range(means, least_span=0.02 * float(known.max()) if known.size else 1.0)
    text = Text(no_wrap=True)
    lines = trend.bars(means, shown=shown, rows=rows - 1) if shown else [""] * (rows - 1)
    low, high = shown.ends() if shown else ("", "")
    labels = [high, *[""] * (rows - 3), low] if rows > 2 else [high]
    for label, line in zip(labels, lines, strict=True):
        text.append(f"{label.rjust(MARGIN - 1)} ", style=DIM)
        text.append(f"{line}\n", style=STRAW)
    ago = f"{span_s / 60:g} min ago"
    return text.append(f"{unit.rjust(MARGIN - 1)} {ago}{'now'.rjust(room - len(ago))}", style=DIM)


def sensors(now: Snapshot, *, columns: int) -> Text:
    """One line a sensor: shaft speed, slip where it can be told, and how well the pulses come.

    Counts are never cut: where there is no room, slip is left out.
    """
    counts = [_counts(channel) for channel in now.channels]
    widths = [max((len(row[k][1]) for row in counts), default=0) for k in range(3)]
    widths = [width if columns < WIDE else max(width, COUNT_WIDTH) for width in widths]
    needed = sum(len(name) + 2 + width for (name, _, _), width in zip(counts[0], widths, strict=True)) if counts else 0
    lines = []
    for channel, row in zip(now.channels, counts, strict=True):
        line = Text(f" {channel.channel:<7}", no_wrap=True)
        alarm = channel.shaft_hz is None and channel.state != "waiting"
        line.append(f"{_turning_words(channel):<20}", style=ALARM if alarm else "")
        slip = _slip_words(now, channel.channel, wide=columns >= WIDE)
        if line.cell_len + 2 + len(slip) + needed <= columns:
            line.append("  ").append(slip)
        line.pad_right(max(columns - needed - line.cell_len, 0))
        for (name, number, told), width in zip(row, widths, strict=True):
            line.append(f" {name} ", style=DIM).append(number.ljust(width), style="bold" if told else DIM)
        line.truncate(columns)
        lines.append(line)
    return Text("\n", no_wrap=True).join(lines)


def _counts(channel: ChannelNow) -> list[tuple[str, str, bool]]:
    """Name and number of a sensor's missing, extra and lost pulses, and whether there are any."""
    unknown = channel.lost_stretches > 0
    return [
        ("missing", _count(channel.missing), channel.missing > 0),
        ("extra", _count(channel.extra), channel.extra > 0),
        ("lost", at_least(_count(channel.lost), unknown=unknown), unknown or channel.lost > 0),
    ]


def _turning_words(channel: ChannelNow) -> str:
    if channel.shaft_hz is not None:
        if channel.shaft_hz.u95 >= channel.shaft_hz.value:
            most_hz = channel.shaft_hz.value + channel.shaft_hz.u95
            return f"< {short_number(rpm(most_hz))} rpm" if channel.state == "slowing down" else "not settled yet"
        return plus_minus(channel.shaft_hz.times(rpm(1.0)), "rpm")
    if channel.state == "no pulses" and channel.slower_than_hz is not None:
        return f"< {short_number(rpm(channel.slower_than_hz))} rpm"
    return OTHER_WORDS.get(channel.state, "no pulses")


def _slip_words(now: Snapshot, channel: str, *, wide: bool) -> str:
    if channel == "motor" and now.motor is not None:
        percent = f", {now.motor.slip_percent:.1f} %" if wide else ""
        return f"slip {plus_minus(now.motor.slip_hz.times(rpm(1.0)), 'rpm')}{percent}"
    slip_percent = now.blade_slip_percent
    if channel == "blade" and slip_percent is not None and slip_percent.u95 < MOST_SLIP_U95_PERCENT:
        return f"slip {plus_minus(slip_percent, '%')}{' behind the wheel' if wide else ''}"
    return ""


def _count(number: int) -> str:
    for least, unit, name in ((10_000_000, 1_000_000, "M"), (10_000, 1000, "k")):
        if number >= least:
            return f"{number // unit}{name}"
    return str(number)


def health(now: Snapshot, *, columns: int) -> Text:
    """The link, and the board's clock; in a second line what does not fit into the first, where it is wanted."""
    link = now.link
    text = Text("  ", no_wrap=True)
    if not link.up:
        text.append(" no link ", style=ALARM)  # why stands large above
    elif link.damaged or link.missing:
        text.append(f"link: {_count(link.damaged)} frames damaged, {_count(link.missing)} missing", style="bold")
    else:
        text.append("link good", style=DIM)
    text.append("   ")
    text.append(clock_words(now), style=DIM)
    more = [f"slip against: {now.slip_against}"] if now.slip_against else []
    more += [f"calibrated: {', '.join(now.calibrated)}"] if now.calibrated else []
    for words in more:
        fits = text.cell_len + 3 + len(words) <= columns
        text.append("   " if fits or "\n" in text.plain else "\n  ").append(words, style=DIM)
    lines = text.split("\n")
    for line in lines:
        line.truncate(columns)
    return Text("\n", no_wrap=True).join(lines)


def clock_words(now: Snapshot) -> str:
    """What is known of the board's clock."""
    off = now.clock.off_ppm
    if off is None:
        return "board clock not measured yet: counted in the ±"
    return f"board clock {plus_minus(off)} ppm, corrected"

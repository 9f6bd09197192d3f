"""Which small files try to do harm, and which are only absurd?

Logs and machine files that a stranger could send: a few kilobytes that ask for terabytes, times that end with the
universe, names that drive a terminal or a spreadsheet.
"""

from collections.abc import Callable

from kerfbeat.machine import demo_text

__all__ = ["ESCAPE", "FORMULA", "LOGS", "MACHINES", "log_text"]

LAST = 2**63 - 1  # the largest tick a log can hold
YEAR_TICKS = 16_000_000 * 86_400 * 365
ESCAPE = "\\u001b[2J\\u001b]0;owned\\u0007"  # clears the screen, names the window; written as TOML
FORMULA = "=cmd|' /c calc'!A0"

SAW = demo_text("saw")
MOTOR, WHEEL = SAW[: SAW.index("[[stage]]")], SAW[SAW.index("[wheel]") :]
NO_INVERTER = MOTOR[: MOTOR.index("[inverter]")]


def log_text(rows: str, machine: str = SAW, started: str = "2026-01-05T12:00:00+00:00") -> str:
    """A log with these rows."""
    head = "".join(f"# machine| {line}\n" for line in machine.splitlines())
    return f"# kerfbeat log 1\n# started = {started}\n{head}kind,channel,ticks,value\n{rows}"


def _segment(tick_hz: object = 16_000_000, start: int = 0, setting: str = "hz=50.0") -> str:
    marks = f"mark,,{start},{setting}\nmark,,{start},gear=high\n"
    return f"segment,,{start},board=X; firmware=1.0.0; tick_hz={tick_hz}; cause=x\n{marks}"


def _train(channel: str, period: int, count: int, start: int = 0) -> str:
    return "".join(f"pulse,{channel},{start + k * period},\n" for k in range(count))


def _lost(channel: str, start: int, end: int, pulses: object) -> str:
    return f"lost,{channel},{start},until={end}; pulses={pulses}; cause=x\n"


def _end(ticks: int) -> str:
    return f"mark,,{ticks},log=end\n"


def _turning(start: int = 0) -> str:
    """A minute's quarter of the saw at a steady speed, from `start`."""
    return _train("wheel", 4_000_000, 60, start + 10) + _train("motor", 640_000, 400, start + 20)


def _bridged(channel: str, period: int, missing: int) -> str:
    """Pulses, so many that are exactly known to be lost, pulses in step with them."""
    first = 600 * period
    again = first + missing * period
    lost = _lost(channel, first, again - 1, missing)
    return _train(channel, period, 600) + lost + _train(channel, period, 600, again)


def _exchanges(host_s: Callable[[int], float], count: int = 60) -> str:
    """One exchange a second of the board's clock; the host's clock says what it likes."""
    return "".join(
        f"sync,,{k * 16_000_000 + 800},sent_s={host_s(k)!r}; received_s={host_s(k) + 0.001!r}; "
        f"ping_ticks={k * 16_000_000}\n"
        for k in range(count)
    )


LOGS: dict[str, str] = {
    "two pulses a life of the sun apart": log_text(_segment() + _train("wheel", LAST - 5, 2, 5)),
    "a pulse at the last tick": log_text(_segment() + _turning() + _train("wheel", 1, 1, LAST) + _end(LAST)),
    "a year of silence": log_text(_segment() + _turning() + _turning(YEAR_TICKS) + _end(YEAR_TICKS * 2)),
    "an end at the last tick": log_text(_segment() + _turning() + _end(LAST)),
    "a start near the last tick": log_text(_segment(start=LAST - 10**9) + _turning(LAST - 10**9)),
    "ten pulses in eight years": log_text(_segment() + _train("wheel", 300 * 86_400 * 16_000_000, 10)),
    "gaps that double": log_text(_segment() + "".join(f"pulse,wheel,{2**k},\n" for k in range(1, 63))),
    "a pulse each tick": log_text(_segment() + _train("wheel", 1, 2000, 10) + _train("motor", 1, 2000, 20)),
    "one tick a second": log_text(_segment(1) + _turning()),
    "no tick in a lifetime": log_text(_segment("1e-300") + _turning()),
    "ticks beyond all numbers": log_text(_segment("1e300") + _turning()),
    "a lost row without end": log_text(_segment() + _turning() + _lost("motor", 0, LAST, LAST) + _end(LAST)),
    "losses in losses": log_text(
        _segment() + _turning() + "".join(_lost("wheel", k, LAST - k, "unknown") for k in range(500))
    ),
    "ten thousand million pulses lost": log_text(_segment() + _bridged("motor", 100, 10**10)),
    "a hundred million pulses lost": log_text(_segment() + _bridged("wheel", 1000, 10**8)),
    "a hertz beyond all numbers": log_text(_segment(setting="hz=1e308") + _turning()),
    "a hertz that is none": log_text(_segment(setting="hz=nan") + _turning()),
    "a hertz below nothing": log_text(_segment(setting="hz=-5") + _turning()),
    "a gear that drives the terminal": log_text(_segment(setting="gear=\\x1b[2J=cmd()") + _turning()),
    "exchanges beyond all numbers": log_text(
        _segment() + _turning()
        + "".join(f"sync,,{k * 10**16},sent_s=1e300; received_s=-1e300; ping_ticks={LAST}\n" for k in range(30))
    ),
    "exchanges a million years apart": log_text(_segment() + _turning() + _exchanges(lambda k: k * 1e13)),
    "exchanges a year apart": log_text(_segment() + _turning() + _exchanges(lambda k: k * 3e7)),
    "exchanges that go backwards": log_text(_segment() + _turning() + _exchanges(lambda k: 1e6 - k)),
    "exchanges all at once": log_text(_segment() + _turning() + _exchanges(lambda k: 5.0)),
    "exchanges that jump": log_text(_segment() + _turning() + _exchanges(lambda k: k + 3600.0 * (k // 7))),
    "exchanges at random": log_text(_segment() + _turning() + _exchanges(lambda k: k * 7919 % 101 + 0.5)),
    "minutes of exchanges that jump": log_text(
        _segment() + _train("wheel", 4_000_000, 2400, 10) + _exchanges(lambda k: k + 40.0 * (k // 200), count=600)
    ),
    "a thousand resets": log_text((_segment() + _train("wheel", 4_000_000, 2) + _train("motor", 640_000, 2)) * 1000),
    "three thousand settings and notes": log_text(
        _segment() + _turning()
        + "".join(f"mark,,{k * 1000},note=x{k}\nmark,,{k * 1000},hz={20 + k % 50}\n" for k in range(3000))
    ),
    "a cut that never ends": log_text(_segment() + _turning() + "mark,,5000000,cut=start\n" + _end(LAST)),
    "begun in the year 1": log_text(_segment() + _turning(), started="0001-01-01T00:00:00+23:59"),
    "begun in the year 9999": log_text(
        _segment() + _turning() + _end(LAST), started="9999-12-31T23:59:59-12:00"
    ),
}  # fmt: skip


def _gears(count: int, stages: int) -> str:
    ratios = ", ".join(f"g{k} = {1 + k / 50}" for k in range(count))
    return "".join(f'[[stage]]\nname = "s{n}"\nkind = "gearbox"\nratios = {{ {ratios} }}\n' for n in range(stages))


def _steps(count: int) -> str:
    steps = ", ".join(f'p{k} = ["{80 + k} mm", "160 mm"]' for k in range(count))
    return f'[[stage]]\nname = "steps"\nkind = "belt"\npositions = {{ {steps} }}\n'


def _variable(stages: int) -> str:
    sheave = 'kind = "belt"\ndriver = { minimum = "70 mm", maximum = "120 mm" }\ndriven = "100 mm"\n'
    return "".join(f'[[stage]]\nname = "v{n}"\n{sheave}' for n in range(stages))


def _named(name: str) -> str:
    return SAW.replace("Shared-workshop cut-off saw (invented example)", name)


MACHINES: dict[str, str] = {
    "a hundred gears": MOTOR + _gears(100, 1) + WHEEL,
    "nine hundred settings": MOTOR + _steps(30) + _gears(30, 1) + WHEEL,
    "a million million settings": MOTOR + _gears(100, 6) + WHEEL,
    "two gears twenty times": MOTOR + _gears(2, 20) + WHEEL,
    "five variable sheaves": NO_INVERTER + _variable(5) + WHEEL,
    "two variable sheaves": NO_INVERTER + _variable(2) + WHEEL,
    "a thousand targets": SAW.replace("targets = 4", "targets = 1000"),
    "a thousand million targets": SAW.replace("targets = 4", "targets = 1000000000"),
    "the finest display": SAW.replace("resolution_hz = 0.1", "resolution_hz = 0.0001").replace("80.0", "1000.0"),
    "the fastest chain": SAW.replace("maximum_hz = 80.0", "maximum_hz = 1000.0").replace("30.0, high", "0.001, high"),
    "the smallest wheel": SAW.replace('"330 mm"', '"5 mm"').replace('"0.9 mm"', '"0.1 mm"'),
    "the largest wheel": SAW.replace('"330 mm"', '"20000 mm"').replace('"2750 mm"', '"190 m"'),
    "a name that drives the terminal": _named(ESCAPE),
    "a stage that drives the terminal": SAW.replace('"first belt"', f'"{ESCAPE}"'),
    "a gear that drives the terminal": SAW.replace("low = 30", f'"{ESCAPE}" = 30'),
    "a name that runs backwards": _named("\\u202eabc\\u0085\\u2028x"),
    "a name that is a formula": _named(FORMULA),
    "a name that is a page": _named("<script>alert(1)</script>"),
    "a name that is mathematics": _named("$\\\\frac{1}{0$ $x_{}$"),
    "a gear that is mathematics": SAW.replace("low = 30", '"$x^{$" = 30'),
    "a name that never ends": _named("x" * 60_000),
    "a gear that never ends": SAW.replace("low = 30", f'"{"x" * 50_000}" = 30'),
    "lists in lists": "a = " + "[" * 30_000,
    "a key of ten thousand parts": ".".join("a" * 10_000) + " = 1",
    "a number of five thousand digits": SAW.replace("poles = 4", "poles = " + "4" * 5000),
    "a file that is too long": SAW + "#" * 70_000,
}

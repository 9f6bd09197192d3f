"""What must be asked to write a machine file, in the words of the shop?

Every answer is checked when it is given, with the same rules by which the file is read later.
"""

from __future__ import annotations

from kerfbeat.errors import MachineError
from kerfbeat.machine.describe_stages import ask_stages
from kerfbeat.machine.interview import (
    UNKNOWN,
    Interview,
    Page,
    StepBackError,
    checked,
    count,
    number,
    quoted,
    yes_or_no,
)
from kerfbeat.machine.parts import DEFAULT_INPUT, INPUTS, Inverter, Limits, Motor, Sensor, Wheel, fitting_poles
from kerfbeat.machine.reader import parse_machine
from kerfbeat.machine.stages import require_name
from kerfbeat.units import parse_length_m, parse_power_w, parse_speed_m_per_s

__all__ = ["describe_machine"]


def describe_machine(interview: Interview) -> str:
    """Ask for a machine and return the text of its file, which `parse_machine` reads.

    Raises MachineError if the answers end too early, or at a wrong one where nobody can be asked again.
    """
    while True:
        try:
            return _described(interview)
        except StepBackError:
            interview.anew()


def _described(interview: Interview) -> str:
    page = Page()
    page.put("name", interview.ask("What do you call this machine?", _name))
    _ask_wheel(interview, page)
    _ask_sensors(interview, page)
    if interview.ask("Describe motor and drive too, so that speeds can be predicted (yes or no)?", yes_or_no):
        _ask_motor(interview, page)
        _ask_inverter(interview, page)
        ask_stages(interview, page)
    limit = interview.maybe("Highest blade speed you want (such as 90 m/min or 300 ft/min; Enter for none)?", _speed)
    if limit is not None:
        page.table("[limits]")
        page.put("blade_speed", limit)
    text = "\n".join(page.lines) + "\n"
    parse_machine(text, source="the answers")
    return text


def _name(text: str) -> str:
    require_name(text, what="name")
    return quoted(text)


def _speed(text: str) -> str:
    Limits(blade_speed_m_per_s=parse_speed_m_per_s(text))
    return quoted(text)


def _ask_wheel(interview: Interview, page: Page) -> None:
    diameter = interview.ask(
        "Blade wheel: diameter across the rim the blade runs on (such as 330 mm or 13 in)?",
        checked(lambda text: Wheel(diameter_m=parse_length_m(text))),
    )
    wheel_m = parse_length_m(diameter)
    thickness = interview.maybe(
        f"Blade: thickness (such as 0.9 mm or 0.035 in{UNKNOWN})?",
        checked(lambda text: Wheel(diameter_m=wheel_m, blade_thickness_m=parse_length_m(text))),
    )
    blade_m = parse_length_m(thickness) if thickness else 0.0
    length = interview.maybe(
        f"Blade: length round the loop (such as 2750 mm or 9 ft{UNKNOWN})?",
        checked(lambda text: Wheel(diameter_m=wheel_m, blade_thickness_m=blade_m, blade_length_m=parse_length_m(text))),
    )
    page.table("[wheel]")
    page.put("diameter", quoted(diameter))
    page.put("blade_thickness", thickness and quoted(thickness))
    page.put("blade_length", length and quoted(length))


def _hertz(text: str) -> float:
    """Check for a frequency, with or without its unit."""
    return number(text, "hz")


def _turns(text: str) -> float:
    """Check for turns per minute, with or without their unit, as nameplates write it."""
    return number(text, "rpm", "r/min", "rev/min", "1/min", "min-1", "min⁻¹")


TARGETS = ("target", "magnet", "bolt head", "bolt", "stripe", "mark")
TIMES = ("times", "x", "×")

SENSOR_QUESTIONS = {
    "wheel": "Blade wheel: how many targets (magnets, bolt heads, stripes) pass its sensor in one turn?",
    "motor": "Motor shaft: how many targets pass a sensor there in one turn (Enter for no sensor)?",
    "driven": "Shaft after the first belt: how many targets pass a sensor there (Enter for no sensor)?",
    "blade": "Blade: how many marks on it pass a sensor in one turn of the blade (Enter for no sensor)?",
}


def _ask_sensors(interview: Interview, page: Page) -> None:
    free = list(INPUTS)
    for channel, question in SENSOR_QUESTIONS.items():
        if not free:
            break
        pin = DEFAULT_INPUT[channel] if DEFAULT_INPUT[channel] in free else free[0]

        def check(text: str, channel: str = channel, pin: int = pin) -> int:
            return Sensor(channel=channel, targets=count(text, *TARGETS), input=pin).targets

        targets = interview.ask(question, check) if channel == "wheel" else interview.maybe(question, check)
        if targets is not None:
            free.remove(pin)
            page.table(f"[sensor.{channel}]")
            page.put("targets", targets)
            page.put("input", pin, "the board's pin group")


def _ask_motor(interview: Interview, page: Page) -> None:
    base_hz = interview.ask("Motor nameplate: frequency in Hz (such as 50 or 60)?", _hertz)
    rpm = interview.ask("Motor nameplate: speed at full load in rpm (such as 1430)?", lambda text: _rpm(text, base_hz))
    fit = fitting_poles(hz=base_hz, rpm=rpm)
    poles = interview.ask(
        f"Motor nameplate: poles (Enter for {fit}, which fits {rpm:g} rpm at {base_hz:g} Hz)?",
        lambda text: Motor(poles=count(text or str(fit), "pole"), base_hz=base_hz, rpm=rpm).poles,
    )

    def plate(**more: float | None) -> Motor:
        return Motor(poles=poles, base_hz=base_hz, rpm=rpm, **more)  # type: ignore[arg-type]

    power = interview.maybe(
        f"Motor nameplate: power (such as 1.5 kW or 2 hp{UNKNOWN})?",
        checked(lambda text: plate(power_w=parse_power_w(text))),
    )
    fan = interview.maybe(f"Motor: does its own shaft turn its cooling fan (yes or no{UNKNOWN})?", yes_or_no)
    top = interview.maybe(
        f"Motor: highest speed its maker allows, in rpm{UNKNOWN}?", lambda text: plate(maximum_rpm=_turns(text))
    )
    breakdown = interview.maybe(
        f"Motor: breakdown (pull-out) torque in times full-load torque (such as 2.4{UNKNOWN})?",
        lambda text: plate(breakdown_torque_ratio=number(text, *TIMES)),
    )
    page.table("[motor]")
    page.put("poles", poles)
    page.put("base_hz", base_hz, "nameplate frequency")
    page.put("rpm", rpm, "nameplate full-load speed")
    page.put("power", power and quoted(power))
    page.put("breakdown_torque_ratio", breakdown.breakdown_torque_ratio if breakdown else None)
    page.put("self_cooled", fan)
    page.put("maximum_rpm", top.maximum_rpm if top else None)


def _rpm(text: str, base_hz: float) -> float:
    rpm = _turns(text)
    if fitting_poles(hz=base_hz, rpm=rpm) is None:
        raise MachineError(
            f"no motor turns at {rpm:g} rpm under full load on {base_hz:g} Hz; read the nameplate again "
            "(full load is a few per cent below 3000, 1500, 1000 or 750 rpm on 50 Hz; 3600, 1800, 1200 or 900 on 60 Hz)"
        )
    return rpm


def _ask_inverter(interview: Interview, page: Page) -> None:
    if not interview.ask("Is there an inverter (yes or no)?", yes_or_no):
        return
    top_hz = interview.ask(
        "Inverter: highest frequency it is set to, in Hz?",
        lambda text: Inverter(minimum_hz=0.0, maximum_hz=_hertz(text)).maximum_hz,
    )
    low_hz = interview.ask(
        "Inverter: lowest frequency it is set to, in Hz?",
        lambda text: Inverter(minimum_hz=_hertz(text), maximum_hz=top_hz).minimum_hz,
    )
    step = interview.maybe(
        f"Inverter: smallest step its display shows, in Hz (such as 0.1{UNKNOWN})?",
        lambda text: Inverter(minimum_hz=low_hz, maximum_hz=top_hz, resolution_hz=_hertz(text)),
    )
    page.table("[inverter]")
    page.put("minimum_hz", low_hz)
    page.put("maximum_hz", top_hz)
    page.put("resolution_hz", step.resolution_hz if step else None)

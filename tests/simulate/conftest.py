"""Which machines are simulated in these tests?"""

from collections.abc import Callable

import pytest

from kerfbeat.machine import Machine, demo_machine, parse_machine

WHEEL_ONLY = """
name = "Only a wheel (invented)"
[wheel]
diameter = "14 in"
[sensor.wheel]
targets = 3
"""


@pytest.fixture(scope="session")
def saw() -> Machine:
    return demo_machine("saw")


@pytest.fixture(scope="session")
def grinder() -> Machine:
    return demo_machine("grinder")


@pytest.fixture(scope="session")
def wheel_only() -> Machine:
    return parse_machine(WHEEL_ONLY)


@pytest.fixture(scope="session")
def chain_machine() -> Callable[..., Machine]:
    """A machine of one belt and one gearbox, by its numbers."""

    def make(
        *, base_hz: float = 50.0, rpm: float = 1430.0, driver: str = "80 mm", driven: str = "160 mm",
        belt_length: str = "1002 mm", ratio: float = 30.0, wheel: str = "330 mm", thickness: str = "0.9 mm",
    ) -> Machine:  # fmt: skip
        return parse_machine(
            f"""
name = "Chain of a worked example"
[motor]
poles = 4
base_hz = {base_hz}
rpm = {rpm}
power = "1.5 kW"
[inverter]
minimum_hz = 10.0
maximum_hz = 100.0
[[stage]]
kind = "belt"
driver = "{driver}"
driven = "{driven}"
belt_length = "{belt_length}"
[[stage]]
kind = "gearbox"
ratios = {ratio}
[wheel]
diameter = "{wheel}"
blade_thickness = "{thickness}"
blade_length = "2750 mm"
[sensor.wheel]
targets = 4
[sensor.motor]
targets = 1
[sensor.blade]
targets = 1
"""
        )

    return make

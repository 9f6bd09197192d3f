"""How long does a speed table of a large machine take, from command line to last line?"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from registry import benchmark

GEARS = 6
FREQUENCIES = 200
MACHINE = f"""
name = "Three stages, six gears"
[motor]
poles = 4
base_hz = 50.0
rpm = 1430
power = "1.5 kW"
[inverter]
minimum_hz = 20.0
maximum_hz = 80.0
[[stage]]
kind = "belt"
driver = "80 mm"
driven = "160 mm"
[[stage]]
kind = "gearbox"
ratios = {{ {", ".join(f"g{number} = {30.0 / number}" for number in range(1, GEARS + 1))} }}
[[stage]]
kind = "chain"
ratios = 1.5
[wheel]
diameter = "330 mm"
[sensor.wheel]
targets = 4
"""


@benchmark("predict: 3 stages, 6 gears, 200 frequencies", unit="s", at_most=0.5)
def predict() -> float:
    """Run the whole command, interpreter and all, as a user does; the middle of five runs."""
    times = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "machine.toml"
        path.write_text(MACHINE, encoding="utf-8")
        command = [sys.executable, "-m", "kerfbeat", "predict", str(path), "--hz", "20:79.7:0.3", "--json"]
        for _ in range(5):
            began = time.perf_counter()
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            times.append(time.perf_counter() - began)
            assert done.stdout.count('"wheel_rpm"') == GEARS * FREQUENCIES
    return sorted(times)[len(times) // 2]

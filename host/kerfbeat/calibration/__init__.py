"""What is stored of a machine's calibration, and what of it may be used with today's description?

`load_calibration(path)` gives a frozen `Calibration`; `known(calibration, machine)` what of it holds for this machine.
"""

from kerfbeat.calibration.known import NOTHING_KNOWN, Known, aged_clock_u_ppm, known
from kerfbeat.calibration.parts import belongs_to, setting_name
from kerfbeat.calibration.results import QUANTITIES, Calibration, Result, fingerprint
from kerfbeat.calibration.store import calibration_path, load_calibration, parse_calibration, save_calibration

__all__ = [
    "NOTHING_KNOWN",
    "QUANTITIES",
    "Calibration",
    "Known",
    "Result",
    "aged_clock_u_ppm",
    "belongs_to",
    "calibration_path",
    "fingerprint",
    "known",
    "load_calibration",
    "parse_calibration",
    "save_calibration",
    "setting_name",
]

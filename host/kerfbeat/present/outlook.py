"""What should the setting give, and what does the motor's speed say beside it?"""

from kerfbeat.calibration import Known
from kerfbeat.drive.calibrated import calibrated_prediction
from kerfbeat.drive.chain import predict_setting
from kerfbeat.drive.motor import synchronous_hz
from kerfbeat.errors import DriveError, MachineError
from kerfbeat.machine import Machine, Setting, belt_choices, gear_choices
from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.snapshot import MotorNow, Prospect

__all__ = ["motor_slip", "prospect_of"]

HALF_OF_LAST_DIGIT = 0.5  # how far the frequency may be from what a display shows, in its last digit
USUAL_RESOLUTION_HZ = 0.1  # where the machine file does not say what the display resolves


def prospect_of(machine: Machine, setting: Setting, known: Known | None = None) -> Prospect:
    """The predicted band of a setting with what was measured of the machine, or in words what it lacks."""
    if machine.motor is None:
        return Prospect(words="No motor is described, so nothing is predicted.")
    lacking = ["hertz"] if setting.hz is None else []
    lacking += ["gear"] if setting.gear is None and gear_choices(machine) else []
    lacking += ["belt"] if setting.belt is None and belt_choices(machine) else []
    if lacking:
        return Prospect(words=f"Enter {' and '.join(lacking)} to see what it should run.")
    try:
        prediction = (
            predict_setting(machine, setting) if known is None else calibrated_prediction(machine, setting, known)
        )
    except (DriveError, MachineError) as error:
        return Prospect(words=str(error))
    band = prediction.blade_m_per_s
    return Prospect(low_m_per_s=band.lowest, high_m_per_s=band.highest, words=" ".join(prediction.warnings))


def motor_slip(machine: Machine, setting: Setting, motor_hz: Estimate | None) -> MotorNow | None:
    """How far the motor is behind its field; None without a motor, a frequency or a reading."""
    if machine.motor is None or not setting.hz or motor_hz is None:
        return None
    poles = machine.motor.poles
    field_hz = float(synchronous_hz(setting.hz, poles=poles))
    stated = machine.inverter.resolution_hz if machine.inverter is not None else None
    doubt_hz = float(synchronous_hz(HALF_OF_LAST_DIGIT * (stated or USUAL_RESOLUTION_HZ), poles=poles))
    slip_hz = Estimate(value=field_hz - motor_hz.value, u95=motor_hz.u95 + doubt_hz)
    return MotorNow(slip_hz=slip_hz, slip_percent=100.0 * slip_hz.value / field_hz)

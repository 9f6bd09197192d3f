"""What can go wrong that a user can mend?

Every error carries one line: what is wrong, where, and what to do.  One place (`kerfbeat.cli`) turns it into a
message on standard error and an exit status.
"""

__all__ = [
    "CalibrateError",
    "CalibrationError",
    "DiskError",
    "DriveError",
    "KerfbeatError",
    "LinkError",
    "LogError",
    "MachineError",
    "MeasureError",
    "SettingsError",
    "SimulateError",
    "UnitError",
]


class KerfbeatError(Exception):
    """Base of all errors that are told to the user in one line."""

    exit_status = 1


class UnitError(KerfbeatError):
    """A quantity cannot be read: no unit, the wrong kind of unit, not a number, out of range."""

    exit_status = 2


class MachineError(KerfbeatError):
    """A machine file is wrong: an unknown or missing key, an impossible value, poles and rpm that disagree."""

    exit_status = 2


class DriveError(KerfbeatError):
    """A drive cannot be: pulleys overlap, the belt is too short, a setting does not exist, limits are reversed."""

    exit_status = 2


class LogError(KerfbeatError):
    """A log or an imported file cannot be used: absent, empty, of another version, not a log, text for numbers."""

    exit_status = 2


class DiskError(LogError):
    """What was asked for is right, but the disk does not take it: full, gone, or failing."""

    exit_status = 1


class CalibrationError(KerfbeatError):
    """A calibration file cannot be used: damaged, of another version, or of a machine described otherwise since."""

    exit_status = 2


class CalibrateError(KerfbeatError):
    """A run cannot calibrate anything: too short, too few points, all at one frequency, marks missing, never steady."""

    exit_status = 1


class MeasureError(KerfbeatError):
    """The pulses cannot give the asked-for number: too few, none on the channel, no whole turn."""

    exit_status = 1


class LinkError(KerfbeatError):
    """The board cannot be reached or understood: no port, no permission, busy, silent, another protocol version."""

    exit_status = 1


class SettingsError(KerfbeatError):
    """A board's settings cannot be: a value that it does not take, more than it has room for, another layout."""

    exit_status = 2


class SimulateError(KerfbeatError):
    """A scenario cannot be played: unknown name, a machine without the parts it needs, a value out of range."""

    exit_status = 2

"""Where is the pulse log's front door?  What it holds, how it is written, how it is read."""

from kerfbeat.capture.log_data import Mark, PulseLog, Segment, Syncs
from kerfbeat.capture.log_reader import read_log
from kerfbeat.capture.log_writer import LogWriter

__all__ = ["LogWriter", "Mark", "PulseLog", "Segment", "Syncs", "read_log"]

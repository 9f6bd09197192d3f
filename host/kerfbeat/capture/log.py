"""Where is the pulse log's front door?  What it holds, how it is written, how it is read."""

from kerfbeat.capture.pulselog import Loss, Mark, PulseLog, Segment, Syncs

__all__ = ["Loss", "Mark", "PulseLog", "Segment", "Syncs"]

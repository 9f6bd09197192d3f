"""Which class makes a port of a `sim://` address?  pyserial looks for it under this name; see `port`."""

from kerfbeat.simulate.port import Serial

__all__ = ["Serial"]

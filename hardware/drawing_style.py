"""How do the drawings look, and how are they the same bytes each time?"""

import os

import matplotlib as mpl

__all__ = ["settle"]


def settle() -> None:
    """Set what every drawing shares; call it before anything is drawn."""
    os.environ["SOURCE_DATE_EPOCH"] = "0"          # no date in the files: the same drawing gives the same bytes
    mpl.use("Agg")
    mpl.rcParams["svg.fonttype"] = "none"          # text stays text
    mpl.rcParams["svg.hashsalt"] = "kerfbeat"
    mpl.rcParams["font.family"] = "DejaVu Sans"

"""Where do the tests find the repository, and which examples does a property test try?"""

import os
from pathlib import Path

import pytest
from hypothesis import settings

# A busy computer is no wrong result.  The same examples each time, so that only a change makes a test fail; the long
# form draws others.
settings.register_profile("unhurried", deadline=None, derandomize=os.environ.get("KERFBEAT_LONG") != "1")
settings.load_profile("unhurried")

# As the program does for itself: threads of small matrices only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

REPOSITORY = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def repository() -> Path:
    """Root of the checkout, for tests that read sources, samples or pages."""
    return REPOSITORY

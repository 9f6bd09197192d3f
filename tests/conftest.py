"""Where do the tests find the repository, and how long may one example of a property test take?"""

import os
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("unhurried", deadline=None)  # a busy computer is no wrong result
settings.load_profile("unhurried")

# As the program does for itself: threads of small matrices only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

REPOSITORY = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def repository() -> Path:
    """Root of the checkout, for tests that read sources, samples or pages."""
    return REPOSITORY

"""Where do the tests find the repository, and how long may one example of a property test take?"""

from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("unhurried", deadline=None)  # a busy computer is no wrong result
settings.load_profile("unhurried")

REPOSITORY = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def repository() -> Path:
    """Root of the checkout, for tests that read sources, samples or pages."""
    return REPOSITORY

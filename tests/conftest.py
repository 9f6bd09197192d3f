"""Where do the tests find the repository?"""

from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def repository() -> Path:
    """Root of the checkout, for tests that read sources, samples or pages."""
    return REPOSITORY

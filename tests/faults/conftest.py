"""How do the campaigns tell their counts?"""

from collections.abc import Callable

import pytest


@pytest.fixture
def say(record_property: Callable[[str, object], None], capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Say a count beside the test's dot, and keep it in the report."""

    def tell(text: str) -> None:
        record_property("count", text)
        with capsys.disabled():
            print(f"  {text}")  # noqa: T201  the counts are what a campaign is for

    return tell

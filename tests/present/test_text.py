"""Is text from outside harmless on a terminal?"""

import pytest

from kerfbeat.present.text import harmless


@pytest.mark.parametrize(
    ("outside", "shown"),
    [
        ("cut-off saw", "cut-off saw"),
        ("Säge Nr. 2, 330 mm ±", "Säge Nr. 2, 330 mm ±"),
        ("two\nlines\tand a tab", "two lines and a tab"),
        ("clear \x1b[2J screen", r"clear \x1b[2J screen"),
        ("bell\x07 null\x00 delete\x7f", r"bell\x07 null\x00 delete\x7f"),
        ("right-to-left \u202e mark", r"right-to-left \u202e mark"),
        ("", ""),
    ],
)
def test_only_printable_characters_remain(outside: str, shown: str) -> None:
    assert harmless(outside) == shown
    assert harmless(outside).isprintable()

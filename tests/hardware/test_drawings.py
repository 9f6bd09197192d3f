"""Are the committed drawings what the scripts draw today?"""

from __future__ import annotations

import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pypdf
import pytest

SHEETS = {
    "draw_schematic.py": ("input_stage", "hall_switch", "proximity_switch", "optical_sensor", "instrument"),
    "draw_mounting.py": ("wheel_and_sensor", "air_gap", "magnet_retention", "cable_routing", "box_layout"),
}


def structure(svg: str) -> tuple[list[str], Counter[str]]:
    """Words in their order, and how many of each element: free of fonts and of rounding."""
    return re.findall(r"<text [^>]*>([^<]*)</text>", svg), Counter(re.findall(r"<(path|use|g|text)\b", svg))


@pytest.mark.parametrize("script", SHEETS)
def test_a_fresh_drawing_is_the_committed_one(script: str, hardware: Path, tmp_path: Path) -> None:
    subprocess.run([sys.executable, str(hardware / script), str(tmp_path)], check=True)
    assert {path.stem for path in tmp_path.glob("*.svg")} == set(SHEETS[script])
    for name in SHEETS[script]:
        fresh = structure((tmp_path / f"{name}.svg").read_text(encoding="utf-8"))
        kept = structure((hardware / f"drawings/{name}.svg").read_text(encoding="utf-8"))
        assert fresh == kept, f"{name}: run python hardware/{script}"
        assert len(fresh[0]) >= 8
        assert len(pypdf.PdfReader(hardware / f"drawings/{name}.pdf").pages) == 1


def test_no_other_file_lies_among_the_drawings(hardware: Path) -> None:
    names = {name for names in SHEETS.values() for name in names}
    assert {path.name for path in (hardware / "drawings").iterdir()} == {
        f"{name}.{suffix}" for name in names for suffix in ("svg", "pdf")
    }

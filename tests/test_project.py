"""Does the repository keep its own rules: one test command, one-way rooms, portable core?"""

import re
import subprocess
import sys

TOP_LEVEL = {
    "DEVELOPERS.md", "LICENSE", "README.md", "firmware", "hardware", "host", "pyproject.toml", "sample_logs", "tests",
}  # fmt: skip


def tracked(repository, *patterns):
    out = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "--", *patterns],
        cwd=repository, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    return [repository / line for line in out.splitlines() if (repository / line).exists()]


def test_top_level_holds_what_is_named_and_nothing_else(repository):
    names = {path.relative_to(repository).parts[0] for path in tracked(repository)}
    assert {name for name in names if not name.startswith(".")} <= TOP_LEVEL


def test_continuous_integration_runs_the_command_of_the_readme(repository):
    blocks = re.findall(r"```sh\n(.*?)```", (repository / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    run = (repository / ".ci/run").read_text(encoding="utf-8")
    command = blocks[1].strip()
    assert command.startswith("sh ")
    assert f"exec {command}\n" in run


def test_every_module_opens_with_its_question(repository):
    without = []
    for path in tracked(repository, "host/kerfbeat/*.py"):
        text = path.read_text(encoding="utf-8")
        docstring = re.match(r'r?"""(.*?)"""', text, re.DOTALL)
        if docstring is None or "?" not in docstring[1]:
            without.append(path.name)
    assert without == []


def test_core_of_the_firmware_knows_no_chip(repository):
    sources = tracked(repository, "firmware/core")
    assert sources
    chip = re.compile(r"#include\s*<(avr|util)/")
    assert [path.name for path in sources if chip.search(path.read_text(encoding="utf-8"))] == []


def test_nobody_imports_the_command_line(repository):
    importers = [
        path
        for path in tracked(repository, "host/kerfbeat/*.py")
        if "cli" not in path.relative_to(repository).parts
        and path.name != "__main__.py"
        and re.search(r"(from|import) kerfbeat\.cli", path.read_text(encoding="utf-8"))
    ]
    assert importers == []


def test_maths_rooms_touch_no_file_port_clock_or_screen(repository):
    outside = "serial|time|socket|random|logging|os|sys|pathlib"
    forbidden = re.compile(rf"^\s*(?:import|from) ({outside})\b|\bopen\(|\bprint\(", re.MULTILINE)
    rooms = [f"host/kerfbeat/{room}/*.py" for room in ("drive", "measure", "calibrate", "diagnose")]
    modules = tracked(repository, *rooms)
    assert modules
    found = {path.name: match[0] for path in modules if (match := forbidden.search(path.read_text(encoding="utf-8")))}
    assert found == {}


def test_package_runs_as_a_module():
    command = [sys.executable, "-m", "kerfbeat", "--version"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert re.search(r"\d+\.\d+\.\d+", said)

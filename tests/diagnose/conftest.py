"""What do the diagnosis tests need: logs of a machine with known truth."""

from collections.abc import Callable
from typing import Any

import pytest
from click.testing import CliRunner, Result

from kerfbeat import cli
from kerfbeat.capture.log import PulseLog, read_log
from kerfbeat.machine import demo_machine, parse_machine
from kerfbeat.simulate import simulate_log

Played = tuple[PulseLog, dict[str, Any]]


@pytest.fixture(scope="session")
def play(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Played]:
    """Plays a scenario once per session and returns its log and truth; `machine` is a name or a machine file's text."""
    known: dict[str, Played] = {}

    def play(scenario: str, *, machine: str = "saw", seed: int = 1, **settings: str | float) -> Played:
        key = repr((scenario, machine, seed, sorted(settings.items())))
        if key not in known:
            path = tmp_path_factory.mktemp("played") / f"{scenario}-{seed}.csv"
            described = parse_machine(machine) if "\n" in machine else demo_machine(machine)
            truth = simulate_log(scenario, described, path, seed=seed, settings=settings)
            known[key] = read_log(path), truth
        return known[key]

    return play


@pytest.fixture
def run() -> Callable[..., Result]:
    """Runs `kerfbeat` with the given words."""

    def run(*words: object) -> Result:
        return CliRunner().invoke(cli.main, [str(word) for word in words], prog_name="kerfbeat")

    return run

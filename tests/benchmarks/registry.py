"""What is a benchmark, and which ones are there?

A benchmark is a function that returns one number; its limit is what the project promises.  The numbers depend on the
machine they are taken on, which is why they are no tests.
"""

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["BENCHMARKS", "Benchmark", "benchmark"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Benchmark:
    """One promised number: `at_most` or `at_least` of `unit`."""

    name: str
    unit: str
    run: Callable[[], float]
    at_most: float | None = None
    at_least: float | None = None

    def kept(self, value: float) -> bool:
        """Whether a measured value keeps the promise."""
        return (self.at_most is None or value <= self.at_most) and (self.at_least is None or value >= self.at_least)

    def promise(self) -> str:
        """The limit as text."""
        return f"<= {self.at_most:g}" if self.at_most is not None else f">= {self.at_least:g}"


BENCHMARKS: list[Benchmark] = []


def benchmark(
    name: str, *, unit: str, at_most: float | None = None, at_least: float | None = None
) -> Callable[[Callable[[], float]], Callable[[], float]]:
    """Enter a function into the list."""

    def enter(run: Callable[[], float]) -> Callable[[], float]:
        BENCHMARKS.append(Benchmark(name=name, unit=unit, run=run, at_most=at_most, at_least=at_least))
        return run

    return enter

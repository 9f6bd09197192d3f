"""What has changed between several runs, and which of them could not be compared?"""

from collections.abc import Sequence
from dataclasses import dataclass

from kerfbeat.diagnose.compare import Comparison, compare_means
from kerfbeat.diagnose.findings import Findings
from kerfbeat.diagnose.wear import Wear, wear_between
from kerfbeat.errors import MeasureError

__all__ = ["Changes", "changes_between"]

LEAST_RUNS = 3  # two runs are a comparison; a rate from date to date wants more


@dataclass(frozen=True, kw_only=True, slots=True)
class Changes:
    """Each later run against the first.

    wears : settings of three runs or more.   not_done : a line for each run that has nothing in common with the first.
    """

    comparisons: tuple[Comparison, ...]
    wears: tuple[Wear, ...]
    not_done: tuple[str, ...]


def changes_between(runs: Sequence[Findings], *, names: Sequence[str]) -> Changes:
    """Compare runs with the first of them.

    names : of the runs, for the result.
    """
    comparisons, not_done = [], []
    first, *others = (run.means for run in runs)
    for other, name in zip(others, names[1:], strict=True):
        try:
            comparisons.append(compare_means([first], [other], names=(names[0], name)))
        except MeasureError as problem:
            not_done.append(str(problem))
    dated = wear_between((run.log.start_utc, run.drift) for run in runs if run.drift is not None)
    return Changes(
        comparisons=tuple(comparisons),
        wears=tuple(wear for wear in dated if len(wear.sources) >= LEAST_RUNS),
        not_done=tuple(not_done),
    )

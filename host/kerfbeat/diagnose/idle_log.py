"""Why can the idle running of another log be no baseline for this one?"""

from collections.abc import Iterable, Mapping, Sequence

from kerfbeat.capture.log import PulseLog
from kerfbeat.diagnose.baseline import Baseline, Key, key_of
from kerfbeat.diagnose.parts import Part, setting_words
from kerfbeat.machine import Setting

__all__ = ["why_unused"]


def why_unused(
    log: PulseLog, parts: Sequence[Part], idle: PulseLog, stored: Mapping[tuple[str, str], Mapping[Key, Baseline]]
) -> str:
    """In words; "" where it serves.

    stored : its baselines, by pair of channels.
    """
    if idle.machine.name != log.machine.name:
        return (
            f"{idle.source}: not used: it is of another machine ({idle.machine.name}); give an idle run of "
            f"{log.machine.name}"
        )
    mine = {key_of(part) for part in parts}
    held = {key for baselines in stored.values() for key in baselines}
    if mine & held:
        return ""
    return (
        f"{idle.source}: not used: it idles at {_words(held)}, and {log.source} ran at {_words(mine)}; a ratio belongs "
        "to one belt position and gear, so mark both in both logs (record --gear, --belt)"
    )


def _words(keys: Iterable[Key]) -> str:
    return " and ".join(sorted({setting_words(Setting(belt=belt, gear=gear)) for belt, gear in keys}))

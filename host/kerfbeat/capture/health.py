"""What does a board's status say of its health, and in which words does it restart?"""

from collections.abc import Mapping

from kerfbeat.capture import messages as m
from kerfbeat.capture import wire_numbers as n
from kerfbeat.capture.events import Health, InputHealth, LineCounts

__all__ = ["health_of", "reset_words"]

_RESET_WORDS = {
    n.RESET_POWER: "power on",
    n.RESET_PIN: "reset line",
    n.RESET_BROWN_OUT: "supply dipped",
    n.RESET_WATCHDOG: "watchdog",
}


def reset_words(reset_cause: int) -> str:
    """Why a board says it restarted."""
    causes = [words for bit, words in _RESET_WORDS.items() if reset_cause & bit]
    return " and ".join(causes) if causes else "cause unknown"


def health_of(status: m.Status, *, channels: Mapping[int, str], line: LineCounts, received_host_s: float) -> Health:
    """The event that a status is; `channels` maps input indices to the channels on them."""
    stored = "good"
    if status.flags & n.FLAG_CONFIG_ONE_COPY:
        stored = "one copy damaged"
    if status.flags & n.FLAG_CONFIG_DEFAULTS:
        stored = "defaults in force"
    inputs = {}
    for index, channel in channels.items():
        each = status.inputs[index]
        inputs[channel] = InputHealth(overruns=each.overruns, floods=each.floods, shortest_ticks=each.shortest_ticks)
    return Health(
        ticks=status.ticks,
        supply_v=None if status.supply_mv is None else status.supply_mv / 1000,
        host_frames_damaged=status.host_frames_damaged,
        stored_settings=stored,
        inputs=inputs,
        line=line,
        received_host_s=received_host_s,
    )

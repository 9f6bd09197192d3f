"""Can another program and a person read the lines, and do they come when they should?"""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from kerfbeat.measure.uncertainty import Estimate
from kerfbeat.present.lines import LinePacer, reading_line
from kerfbeat.present.snapshot import LinkNow, Snapshot

Moment = Callable[..., Snapshot]
AT = datetime(2026, 1, 5, 12, 0, 0, 250_000, tzinfo=UTC)


@pytest.mark.parametrize(
    ("state", "unit", "parts"),
    [
        # 1.3556 m/s = 81.336 m/min = 266.85 ft/min; 0.21 m/s = 12.6 m/min = 41.3 ft/min (NIST SP 811 B.8)
        ("turning", "m/min", ["81.34 ± 0.12 m/min", "266.9 ± 0.4 ft/min", "turning"]),
        ("slowing down", "ft/min", ["266.9 ± 0.4 ft/min", "81.34 ± 0.12 m/min", "slowing down"]),
        ("waiting", "m/min", ["- m/min", "- ft/min", "waiting for the first turn"]),
        ("no pulses", "m/min", ["< 12.6 m/min", "< 41.3 ft/min", "no pulses: slower than shown"]),
        ("silent", "m/min", ["< 12.6 m/min", "< 41.3 ft/min", "no pulses: stopped, or signal lost"]),
        ("signal lost", "m/min", ["- m/min", "- ft/min", "signal lost"]),
    ],
)
def test_line_has_four_parts(moment: Moment, state: str, unit: str, parts: list[str]) -> None:
    assert reading_line(moment(state), unit, at=AT).split("  ") == ["2026-01-05T12:00:00.250+00:00", *parts]


def test_a_speed_that_may_be_zero_is_told_as_a_bound(moment: Moment) -> None:
    # 0.05 + 0.15 m/s = 12 m/min = 39.4 ft/min (NIST SP 811 B.8): nothing is known but that it is slower.
    now = moment("slowing down")
    now = replace(now, blade=replace(now.blade, speed_m_per_s=Estimate(value=0.05, u95=0.15)))
    parts = reading_line(now, "m/min", at=AT).split("  ")[1:]
    assert parts == ["< 12.0 m/min", "< 39.4 ft/min", "slowing down"]


def test_reason_of_a_lost_link_stands_in_the_line_harmlessly(moment: Moment) -> None:
    now = moment("no link", link=LinkNow(up=False, words="gone\x1b[2J\nfor good", silent_s=2.0))
    line = reading_line(now, "m/min", at=AT)
    assert line.endswith(r"no link to the board: gone\x1b[2J for good")
    assert line.isprintable()


def _due(pacer: LinePacer, now: Snapshot, at_s: float, estimates: int, state: str = "turning") -> bool:
    return pacer.due(replace(now, at_s=at_s, estimates=estimates, blade=replace(now.blade, state=state)))


def test_one_line_for_each_new_estimate(moment: Moment) -> None:
    pacer, now = LinePacer(), moment()
    assert _due(pacer, now, 0.00, 1)
    assert not _due(pacer, now, 0.01, 1)
    assert _due(pacer, now, 0.02, 2)


def test_every_thins_the_lines_but_not_a_change_of_state(moment: Moment) -> None:
    pacer, now = LinePacer(every_s=5.0), moment()
    assert [_due(pacer, now, float(at_s), at_s) for at_s in range(11)] == [True, *[False] * 4] * 2 + [True]
    assert _due(pacer, now, 10.5, 10, state="no pulses")


def test_silence_is_told_once_a_second(moment: Moment) -> None:
    pacer, now = LinePacer(), moment("silent")
    told = [_due(pacer, now, tenth / 10, 7, state="silent") for tenth in range(31)]
    assert sum(told) == 4

"""Does a shaft run at its setting's speed at this moment, and is it idle there?

What `running` tells of a whole log, pulse by pulse: at speed once the speed has been calm for a while, until it falls
towards a stop, rises beyond its setting, or its pulses stay away.  Idle is the least loaded running seen so far,
outside marked cuts.
"""

from collections import deque

from kerfbeat.diagnose.running import FAST_PER_S, MARK_S, PAD_S, PAUSE_S, SLOPE_S, STALLING, TOO_FAST

__all__ = ["LiveRunning"]

EVERY_S = 0.1  # speeds are taken over that long at least
PAUSE_GAPS = 4.0  # without pulses for so many of their gaps, and PAUSE_S: not known to be turning
STOPPED_S = 3.0  # after a longer pause it may have been stopped, and its gear changed
STOPPED = 0.5  # of its speed: so slow it may be on its way to a stop
SAME_LOW, SAME_HIGH = 0.9, 1.02  # of the idle speed known: coming back to that, it is the same speed
LEVEL_S = 10.0  # time constant with which the idle speed follows warming
SLOW_S = 1.0  # over which a speed must be higher than idle to count as a lighter load


class LiveRunning:
    """The state of one shaft.

    light : relative fall below the idle speed that still counts as idle.   heavy : fall that counts as overload.
    heavy_until_s : overloaded until then; the pad after it is in it.
    at_speed_s, idle_s : since when it runs at speed, and idle; None while it does not.
    level_hz : idle speed, None until known.   levels : how often another was taken up.   stops : how often it may have
    stopped.   lighter : how often running proved lighter than what had been taken for idle.
    """

    def __init__(self, *, light: float, heavy: float) -> None:
        self._light = light
        self.heavy = heavy
        self.stops = self.lighter = self.levels = 0
        self.level_hz: float | None = None
        self._cutting = self._stopping = False
        self.restart()

    def restart(self) -> None:
        """Times begin anew; the idle speed is still the same."""
        self._not_idle_until_s = self._hold_until_s = self.heavy_until_s = 0.0
        self._break()
        self._last_s: float | None = None

    def _break(self) -> None:
        self.at_speed_s: float | None = None
        self.idle_s: float | None = None
        self._calm_s: float | None = None
        self._from: tuple[float, float, int] | None = None
        self._speeds: deque[tuple[float, float, float]] = deque()  # time, length, turns per second

    def set_cutting(self, running: bool, at_s: float) -> None:
        """The operator marked the start or the end of a cut."""
        self._cutting = running
        self._not_idle_until_s = at_s + MARK_S
        self.idle_s = None

    def set_setting(self, at_s: float) -> None:
        """Another setting is in force: its speed is not known yet, and a mark may come before the change itself."""
        self.level_hz = None
        self._hold_until_s = at_s + MARK_S
        self._break()

    def take(self, at_s: float, turns: float, run: int) -> None:
        """Where the shaft was at a pulse; times increase."""
        last_s, self._last_s = self._last_s, at_s
        if last_s is not None and at_s - last_s > self._pause_s():
            self.stops += at_s - last_s > STOPPED_S
            self._break()
        if self._from is None or self._from[2] != run:
            if self._from is not None:
                self._break()
            self._from = (at_s, turns, run)
            return
        length_s = at_s - self._from[0]
        if length_s < EVERY_S:
            return
        hz = (turns - self._from[1]) / length_s
        self._from = (at_s, turns, run)
        self._speeds.append((at_s, length_s, hz))
        while len(self._speeds) > 2 and self._speeds[1][0] <= at_s - SLOW_S:
            self._speeds.popleft()
        self._judge(at_s, length_s, hz)

    def silent(self, at_s: float) -> None:
        """The record is complete up to a time; without pulses for too long the shaft is not known to turn."""
        if self._last_s is not None and self.at_speed_s is not None and at_s - self._last_s > self._pause_s():
            self._break()

    def _pause_s(self) -> float:
        usual_s = self._speeds[-1][1] if self._speeds else EVERY_S
        return max(PAUSE_S, PAUSE_GAPS * usual_s)

    def _judge(self, at_s: float, length_s: float, hz: float) -> None:
        level_hz = self.level_hz
        if self.at_speed_s is not None and level_hz is not None:
            if STALLING < hz / level_hz < TOO_FAST:
                self._follow(at_s, length_s, hz, level_hz)
                return
            self.at_speed_s = self.idle_s = self._calm_s = None
        if level_hz is not None and hz < STOPPED * level_hz and not self._stopping:
            self._stopping = True
            self.stops += 1
        before_s, _, before_hz = next(
            (each for each in reversed(self._speeds) if each[0] <= at_s - SLOPE_S + 0.5 * length_s), self._speeds[0]
        )
        span_s = at_s - before_s
        calm = span_s >= 0.5 * SLOPE_S and abs(hz - before_hz) < FAST_PER_S * span_s * max(hz, before_hz)
        if not calm or at_s < self._hold_until_s or hz <= 0.0:
            self._calm_s = None
            return
        self._calm_s = before_s if self._calm_s is None else self._calm_s
        if at_s - self._calm_s < PAD_S + SLOPE_S:
            return
        if level_hz is None or not SAME_LOW < hz / level_hz < SAME_HIGH:
            self.level_hz = hz
            self.levels += 1
        self.at_speed_s, self._stopping = at_s, False

    def _follow(self, at_s: float, length_s: float, hz: float, level_hz: float) -> None:
        """While at speed: see whether it is idle, and keep the idle speed up to date."""
        if hz < level_hz * (1.0 - self.heavy):
            self.heavy_until_s = at_s + PAD_S
        time_s = sum(each[1] for each in self._speeds)
        slow_hz = sum(each[1] * each[2] for each in self._speeds) / time_s
        if time_s >= SLOW_S and slow_hz > level_hz * (1.0 + 0.5 * self._light):
            self.level_hz = slow_hz
            self.lighter += 1
            self.levels += 1
            self.idle_s = None
            return
        if self._cutting or at_s < self._not_idle_until_s or hz < level_hz * (1.0 - self._light):
            self.idle_s = None
            return
        self.idle_s = at_s if self.idle_s is None else self.idle_s
        self.level_hz = level_hz + (hz - level_hz) * min(length_s / LEVEL_S, 1.0)

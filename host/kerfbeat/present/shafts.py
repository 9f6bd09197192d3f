"""What do the sensors of the machine read now, and how well did their pulses come?"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from kerfbeat.calibration import Known
from kerfbeat.capture.events import Event, Lost, Pulses, SegmentStarted
from kerfbeat.machine import Machine
from kerfbeat.measure.live import LiveSpeed, Place, ShaftReading, judge_silence
from kerfbeat.present.logbook import Tally
from kerfbeat.present.snapshot import ChannelNow

__all__ = ["Shafts", "TargetWatch"]

ALL_SHOWN_TURNS = 6.0  # twice the turns after which a target that does not come is called gone


class Shafts:
    """One live estimator a sensor.  Counts go on when a board starts anew, readings do not."""

    def __init__(self, machine: Machine, known: Known | None = None, *, placed: Sequence[str] = ()) -> None:
        """Begin without a board; known patterns of targets are used once they fit the pulses.

        placed : channels whose places are kept for `take_places`.
        """
        self._placed = placed
        self._sensors = machine.sensors
        self._spacing_turns = {} if known is None else {name: each[0] for name, each in known.spacing_turns.items()}
        self._live: dict[str, LiveSpeed] = {}
        self._tally = Tally()
        self._missing: Counter[str] = Counter()  # in the segments before this one
        self._extra: Counter[str] = Counter()
        self._gone: Counter[str] = Counter()  # told until a shaft has turned long enough to show all its targets

    def restart(self, tick_hz: float) -> None:
        """A board has started: its ticks and its pulses count anew."""
        for channel, live in self._live.items():
            before = live.reading()
            self._missing[channel] += before.missing
            self._extra[channel] += before.extra
        self._live = {
            channel: LiveSpeed(
                targets=sensor.targets, tick_hz=tick_hz, spacing_turns=self._spacing_turns.get(channel)
            )
            for channel, sensor in self._sensors.items()
        }
        for channel in self._placed:
            self._live[channel].keep_places()

    def take_places(self) -> Mapping[str, Sequence[Place]]:
        """Where the shafts were at the pulses since last asked."""
        return {channel: self._live[channel].take_places() for channel in self._placed}

    def feed(self, event: Pulses) -> None:
        """Take the edges of all channels."""
        for channel, edge_ticks in event.edge_ticks.items():
            self._live[channel].feed(edge_ticks, event.complete_ticks)
            self._tally.pulses[channel] += len(edge_ticks)

    def lose(self, event: Lost) -> None:
        """Take a stretch of lost pulses."""
        self._live[event.channel].lose(event.start_ticks, event.end_ticks, event.pulses)
        self._tally.count_loss(event)

    def set_clock(self, ppm: float, u_ppm: float) -> None:
        """Take what is known of the board's clock, with its standard uncertainty."""
        for live in self._live.values():
            live.set_clock(ppm, u_ppm)

    def readings(self) -> Mapping[str, ShaftReading]:
        """What every shaft does, all channels judged together; empty before the first board."""
        return judge_silence({channel: live.reading() for channel, live in self._live.items()})

    def _follow_gone(self, channel: str, reading: ShaftReading) -> None:
        """A magnet that flew off lies somewhere also when the shaft stands, or a count has begun anew."""
        seen_all = reading.shaft_hz is not None and reading.turning_s * reading.shaft_hz.value >= ALL_SHOWN_TURNS
        if seen_all or reading.gone > self._gone[channel]:
            self._gone[channel] = reading.gone

    def channels_now(self, readings: Mapping[str, ShaftReading], *, linked: bool) -> tuple[ChannelNow, ...]:
        """The readings with their counts; without a link the old speed is no reading of now."""
        return tuple(self._channel_now(channel, readings.get(channel), linked=linked) for channel in self._sensors)

    def _channel_now(self, channel: str, reading: ShaftReading | None, *, linked: bool) -> ChannelNow:
        reading = reading or ShaftReading(state="waiting")
        self._follow_gone(channel, reading)
        if not linked:
            reading = replace(reading, shaft_hz=None, slower_than_hz=None)
        return ChannelNow(
            channel=channel,
            targets=self._sensors[channel].targets,
            state=reading.state if linked else "no link",
            shaft_hz=reading.shaft_hz,
            slower_than_hz=reading.slower_than_hz,
            silent_s=reading.silent_s,
            pulses=self._tally.pulses[channel],
            missing=self._missing[channel] + reading.missing,
            extra=self._extra[channel] + reading.extra,
            lost=self._tally.lost[channel],
            lost_stretches=self._tally.lost_stretches[channel],
            gone=self._gone[channel],
        )


class TargetWatch:
    """Looks on at a link's events for targets that are seen no more."""

    def __init__(self, machine: Machine) -> None:
        self._shafts = Shafts(machine)

    def take(self, event: Event) -> None:
        """Take the next event."""
        match event:
            case SegmentStarted():
                self._shafts.restart(event.tick_hz)
            case Pulses():
                self._shafts.feed(event)
                self.told()  # what one batch showed is remembered when the shaft stands at the end
            case Lost():
                self._shafts.lose(event)

    def told(self) -> list[str]:
        """What to tell, sensor by sensor."""
        channels = self._shafts.channels_now(self._shafts.readings(), linked=True)
        return [channel.gone_words for channel in channels if channel.gone]

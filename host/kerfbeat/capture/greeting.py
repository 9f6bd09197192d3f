"""Which board is at the other end, and at what baud rate?"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from kerfbeat.capture import messages as m
from kerfbeat.capture.ports import Port, has_baud
from kerfbeat.capture.wire import Decoder, Frame, encode_message
from kerfbeat.capture.wire_numbers import BAUD_FAST, BAUD_SLOW, PROTOCOL
from kerfbeat.errors import LinkError

__all__ = ["Greeted", "Trace", "greet", "rounds_for"]

Trace = Callable[[float, str, Frame], None]  # host seconds, "from board" or "to board", frame

# Opening the port resets common boards, and their boot loader then keeps the line for up to two seconds.  Asking
# seldom enough does not keep an old boot loader waiting for more.
ASK_EVERY_S = 0.4
NOISE_ENOUGH_BYTES = 200  # so much that is no frame: this baud rate is wrong, try the next
FIRST_WORDS = 24  # bytes shown of what another device says


@dataclass(frozen=True, kw_only=True, slots=True)
class Greeted:
    """The board's hello, the other frames that came before and after it, each with the time it was read."""

    hello: Frame
    read_host_s: float
    asked_host_s: float | None  # when the request it answers went out; None if it came unasked
    before: Sequence[tuple[Frame, float]]
    after: Sequence[tuple[Frame, float]]
    baud: int | None
    decoder: Decoder


def rounds_for(url: str, baud: int | None, *, patience_s: float) -> Sequence[tuple[int, float]]:
    """Baud rates to try, each with its time; the first gets the most, since the board may still be starting."""
    if baud is not None:
        return [(baud, patience_s)]
    if not has_baud(url):
        return [(BAUD_FAST, patience_s)]
    shares = ((BAUD_FAST, 0.4), (BAUD_SLOW, 0.3), (BAUD_FAST, 0.15), (BAUD_SLOW, 0.15))
    return [(rate, share * patience_s) for rate, share in shares]


def greet(
    port: Port,
    *,
    rounds: Sequence[tuple[int, float]],
    clock: Callable[[], float],
    trace: Trace | None = None,
    stopped: Callable[[], bool] = lambda: False,
) -> Greeted:
    """Ask until a board answers.

    Raises LinkError that says what was seen: nothing, bytes that are not ours, our own bytes, another version.
    """
    url = port.url
    seen = _Seen()
    sequence = 0
    asked_s: dict[int, float] = {}
    for number, (baud, time_s) in enumerate(rounds):
        port.listen_at(baud)
        decoder = Decoder()
        came: list[tuple[Frame, float]] = []
        end_s = clock() + time_s
        ask_s = clock()
        last_round = number == len(rounds) - 1
        while (now_s := clock()) < end_s and not stopped():
            if now_s >= ask_s:
                ask_s = now_s + ASK_EVERY_S
                asked_s[sequence] = now_s
                port.write(encode_message(m.AskHello(), sequence))
                if trace:
                    trace(now_s, "to board", Frame(sequence, m.AskHello()))
                sequence = (sequence + 1) % 256
            chunk = port.read_some()
            read_s = clock()
            seen.bytes_read += len(chunk)
            seen.first = (seen.first + chunk)[:FIRST_WORDS]
            fresh = [(frame, read_s) for frame in decoder.feed(chunk, read_s)]
            came += fresh
            for frame, _ in fresh:
                if trace:
                    trace(read_s, "from board", frame)
                if isinstance(frame.message, m.OtherHello):
                    raise LinkError(f"{url}: {_other_version(frame.message)}")
                seen.echo = seen.echo or isinstance(frame.message, m.AskHello)
            greeted = _answered(came, asked_s, baud=baud if has_baud(url) else None, decoder=decoder)
            if greeted is not None:
                return greeted
            seen.frames += len(fresh)
            noise = decoder.noise_bytes + 20 * decoder.bad_crc
            if noise > NOISE_ENOUGH_BYTES and not decoder.frames and not last_round:
                break
    told = seen.in_words(rounds, with_baud=has_baud(url))
    if has_baud(url) and len({rate for rate, _ in rounds}) == 1 and not (seen.echo or seen.frames):
        told = f"{told}; or leave out --baud, so that the board's own rate is found"
    raise LinkError(f"{url}: {told}")


def _answered(
    came: Sequence[tuple[Frame, float]], asked_s: Mapping[int, float], *, baud: int | None, decoder: Decoder
) -> Greeted | None:
    """What the frames that came amount to by the latest hello among them; None without one."""
    for at in range(len(came) - 1, -1, -1):
        frame, read_s = came[at]
        if isinstance(frame.message, m.Hello):
            asked = frame.message.asked
            return Greeted(
                hello=frame, read_host_s=read_s, asked_host_s=None if asked is None else asked_s.get(asked),
                before=came[:at], after=came[at + 1 :], baud=baud, decoder=decoder,
            )  # fmt: skip
    return None


@dataclass(slots=True)
class _Seen:
    """What came in while no board answered."""

    bytes_read: int = 0
    frames: int = 0
    echo: bool = False
    first: bytes = b""

    def in_words(self, rounds: Sequence[tuple[int, float]], *, with_baud: bool) -> str:
        bauds = " and ".join(str(rate) for rate in dict.fromkeys(rate for rate, _ in rounds))
        at = f" at {bauds} baud" if with_baud else ""
        if self.echo:
            return "what is sent comes straight back: the port's two data lines are joined, or it is a loop-back"
        if self.frames:
            return f"a board sends{at}, but does not answer; check the line from the computer to the board"
        if self.bytes_read:
            first = repr(self.first)[1:]
            return (
                f"a device that talks something else: {self.bytes_read} bytes{at}, none of them a frame, "
                f"beginning {first}; choose the board's port, or flash its firmware (make flash)"
            )
        return f"the port is open, but nothing comes{at}; check cable and power, and that the firmware is flashed"


def _other_version(other: m.OtherHello) -> str:
    firmware = ".".join(map(str, other.firmware))
    said = f"the board speaks protocol {other.protocol} (firmware {firmware}), this program protocol {PROTOCOL}"
    if other.protocol < PROTOCOL:
        return f"{said}: the board is older; flash the firmware that came with this program (make flash)"
    return f"{said}: this program is older; update kerfbeat"

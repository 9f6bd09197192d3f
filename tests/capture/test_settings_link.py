"""Do settings reach the board whole, and does every failure say what the board holds?"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from kerfbeat.capture import messages, ports, settings_link, wire_numbers
from kerfbeat.capture.board_settings import BoardSettings
from kerfbeat.capture.link import BoardLink
from kerfbeat.capture.settings_link import StoredSettings, health_of, read_settings, write_settings
from kerfbeat.errors import LinkError

Served = Any  # the fixtures' own class, see conftest.py

OLD = BoardSettings(board_id=0xFA4EB0A2)
ANGLES = tuple(range(0, 60_000, 1000))
NEW = replace(OLD, wheel_input=1, wheel_targets=60, circumference_um=1_039_553, angles_65536=ANGLES)
OLD_STANDS = "the old settings stand"
EITHER = "the board holds the old settings or the new ones, never a mixture"


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Requests go out at once instead of when the next frame comes."""
    monkeypatch.setattr(ports, "READ_WAIT_S", 0.002)


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """For boards that answer at once or never."""
    monkeypatch.setattr(settings_link, "ANSWER_S", 0.15)
    monkeypatch.setattr(settings_link, "COMMIT_S", 0.3)
    monkeypatch.setattr(settings_link, "BUSY_WAIT_S", 0.01)


@pytest.fixture
def link(on_socket: Served) -> Iterator[BoardLink]:
    on_socket.board.settings = OLD.pack()
    on_socket.board.reset()
    with BoardLink(on_socket.url, sensors=None) as opened:
        yield opened


def lose(count: int, kind: type[messages.Message]) -> Callable[[messages.Message], bool]:
    """Loses the first answers of a kind, each time it is asked."""
    left = [count]

    def drop(message: messages.Message) -> bool:
        left[0] -= isinstance(message, kind)
        return isinstance(message, kind) and left[0] >= 0

    return drop


def failure(link: BoardLink, before: StoredSettings) -> str:
    with pytest.raises(LinkError) as caught:
        write_settings(link, NEW, before=before)
    return str(caught.value)


def test_what_is_written_is_read_back(on_socket: Served, link: BoardLink) -> None:
    before = read_settings(link)
    assert before == StoredSettings(settings=OLD, generation=0)
    after = write_settings(link, NEW, before=before)
    assert after == StoredSettings(settings=NEW, generation=1)
    assert on_socket.board.settings == NEW.pack()
    health = health_of(link)
    assert health is not None
    assert health.stored_settings == "good"


def test_a_board_that_writes_slowly_is_waited_for_and_not_overrun(on_socket: Served, link: BoardLink) -> None:
    """3.4 ms a byte (ATmega328P data sheet, EEPROM programming time), 0.65 s for a commit; 31 bytes are kept."""
    board = on_socket.board
    before = read_settings(link)
    board.slow_s = lambda message: {messages.ConfigWrite: 0.028, messages.ConfigCommit: 0.65}.get(type(message), 0.0)
    board.unanswered_most = 0
    assert write_settings(link, NEW, before=before).settings == NEW
    assert 16 <= board.unanswered_most <= 31
    assert sum(isinstance(each, messages.ConfigCommit) for each in board.requests) == 1


@pytest.mark.usefixtures("impatient")
def test_an_answer_lost_on_the_line_is_asked_for_again(on_socket: Served, link: BoardLink) -> None:
    board = on_socket.board
    board.drop = lose(2, messages.ConfigData)
    before = read_settings(link)
    assert before.settings == OLD
    board.drop = lose(2, messages.Result)
    assert write_settings(link, NEW, before=before).settings == NEW


@pytest.mark.usefixtures("impatient")
def test_a_lost_answer_to_the_commit_is_found_out_by_reading(on_socket: Served, link: BoardLink) -> None:
    board = on_socket.board
    before = read_settings(link)
    results = [0]

    def drop(message: messages.Message) -> bool:
        results[0] += isinstance(message, messages.Result)
        return isinstance(message, messages.Result) and results[0] == 24  # after 23 pieces of 8 bytes

    board.drop = drop
    assert write_settings(link, NEW, before=before) == StoredSettings(settings=NEW, generation=1)
    assert sum(isinstance(each, messages.ConfigCommit) for each in board.requests) == 1


@pytest.mark.usefixtures("impatient")
def test_a_commit_that_never_arrived_leaves_the_old_ones(on_socket: Served, link: BoardLink) -> None:
    before = read_settings(link)
    on_socket.board.forgets = True
    commit = wire_numbers.CONFIG_COMMIT
    on_socket.board.drop = lambda message: isinstance(message, messages.Result) and message.request == commit
    assert f"did not say that it took the new settings, and has not; {OLD_STANDS}" in failure(link, before)


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize("request_type", [messages.ConfigWrite, messages.ConfigCommit])
def test_each_refusal_says_that_the_old_ones_stand(
    on_socket: Served, link: BoardLink, request_type: type[messages.Message]
) -> None:
    before = read_settings(link)
    for code, words in (
        (wire_numbers.BAD_LENGTH, "refuses the length"),
        (wire_numbers.BAD_VALUE, "refuses a value"),
        (wire_numbers.NOT_SAVED, "does not hold what is written"),
        (wire_numbers.UNKNOWN_TYPE, "does not know this request"),
    ):
        codes = {request_type: code}
        on_socket.board.refuse = lambda message, codes=codes: codes.get(type(message), wire_numbers.OK)
        said = failure(link, before)
        assert words in said
        assert OLD_STANDS in said
    assert on_socket.board.settings == OLD.pack()


@pytest.mark.usefixtures("impatient")
def test_a_commit_still_on_its_way_is_waited_for(on_socket: Served, link: BoardLink) -> None:
    before = read_settings(link)
    busy = [2]

    def refuse(message: messages.Message) -> int:
        busy[0] -= 1
        return wire_numbers.NOT_SAVED if busy[0] >= 0 else wire_numbers.OK

    on_socket.board.refuse = refuse
    assert write_settings(link, NEW, before=before).settings == NEW


def test_a_reset_between_the_pieces_leaves_the_old_ones(on_socket: Served, link: BoardLink) -> None:
    """What was staged is gone, so the CRC of the commit does not fit."""
    before = read_settings(link)
    board = on_socket.board

    def refuse(message: messages.Message) -> int:
        if isinstance(message, messages.ConfigWrite) and message.offset == 96:
            board.staged = bytearray(board.settings)
        return wire_numbers.OK

    board.refuse = refuse
    assert OLD_STANDS in failure(link, before)
    assert board.settings == OLD.pack()


@pytest.mark.usefixtures("impatient")
def test_a_plug_pulled_before_the_commit_leaves_the_old_ones(on_socket: Served, link: BoardLink) -> None:
    before = read_settings(link)

    def refuse(message: messages.Message) -> int:
        on_socket.unplug()
        return wire_numbers.OK

    on_socket.board.refuse = refuse
    said = failure(link, before)
    assert "the link broke" in said
    assert OLD_STANDS in said


@pytest.mark.usefixtures("impatient")
def test_a_plug_pulled_at_the_commit_leaves_either_and_says_how_to_see_it(on_socket: Served, link: BoardLink) -> None:
    before = read_settings(link)

    def refuse(message: messages.Message) -> int:
        if isinstance(message, messages.ConfigCommit):
            on_socket.unplug()
        return wire_numbers.OK

    on_socket.board.refuse = refuse
    said = failure(link, before)
    assert EITHER in said
    assert f"kerfbeat configure --port {on_socket.url}" in said


def test_a_board_that_forgets_is_found_out(on_socket: Served, link: BoardLink) -> None:
    before = read_settings(link)
    on_socket.board.forgets = True
    assert "what is read back is not what was written" in failure(link, before)


def test_an_older_firmware_is_refused_with_what_to_do(on_socket: Served, link: BoardLink) -> None:
    """The first layout had eleven bytes."""
    on_socket.board.settings = bytes([1, 42, 0, 0, 0, 0, 5, 5, 5, 12, 20])
    with pytest.raises(LinkError, match=r"settings of version 1, .* the board is older; flash the firmware"):
        read_settings(link)


def test_a_newer_firmware_is_refused_with_what_to_do(on_socket: Served, link: BoardLink) -> None:
    on_socket.board.settings = b"\x03" + OLD.pack()[1:] + b"more"
    with pytest.raises(LinkError, match=r"settings of version 3, .* this program is older; update kerfbeat"):
        read_settings(link)


def test_values_that_cannot_be_are_not_shown_as_settings(on_socket: Served, link: BoardLink) -> None:
    on_socket.board.settings = OLD.pack()[:9] + b"\xff" + OLD.pack()[10:]
    with pytest.raises(LinkError, match="flood limit, edges, 255 cannot be"):
        read_settings(link)


def test_nothing_is_written_to_a_kind_of_board_that_is_not_known(on_socket: Served) -> None:
    on_socket.board.board_kind = 250
    on_socket.board.reset()
    with BoardLink(on_socket.url, sensors=None) as link:
        before = read_settings(link)
        assert "of kind 250, which this program does not know" in failure(link, before)
    assert not any(isinstance(each, messages.ConfigWrite) for each in on_socket.board.requests)


@pytest.mark.usefixtures("impatient")
def test_a_board_that_is_silent_about_its_settings(on_socket: Served, link: BoardLink) -> None:
    on_socket.board.drop = lambda message: isinstance(message, messages.ConfigData)
    with pytest.raises(LinkError, match="does not answer about its settings"):
        read_settings(link)


def test_settings_that_change_while_they_are_read_are_read_again(on_socket: Served, link: BoardLink) -> None:
    board = on_socket.board

    def slow_s(message: messages.Message) -> float:
        if isinstance(message, messages.ConfigRead) and message.offset > 50 and board.generation == 0:
            board.settings, board.generation = NEW.pack(), 1
        return 0.0

    board.slow_s = slow_s
    assert read_settings(link) == StoredSettings(settings=NEW, generation=1)

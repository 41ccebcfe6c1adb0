"""How fast a figure may move in a room."""

from __future__ import annotations

from fractions import Fraction

import pytest

from undersong.acoustics.blur import (
    SHORTEST,
    Place,
    is_clear,
    notes_a_second,
    shortest_clear_length,
    shortest_clear_seconds,
)
from undersong.model.codec import decode, encode
from undersong.model.room import ROOMS, Room


@pytest.mark.parametrize(("seconds", "step"), SHORTEST["nave"])
def test_the_line_for_the_nave_lies_on_the_table(seconds: float, step: float) -> None:
    """Within 4 ms of every solved value (project notes on sound, section 5)."""
    assert shortest_clear_seconds(seconds) == pytest.approx(step, abs=0.0041)


@pytest.mark.parametrize(("notes_a_beat", "most_seconds"), [(2, 3.1), (3, 1.6), (4, 0.8)])
def test_notes_to_a_beat_at_88(notes_a_beat: int, most_seconds: float) -> None:
    """Two to the beat at 88 a minute stay clear up to about 3.1 s, three to 1.6, four to 0.8 (the same notes)."""
    step = 60 / 88 / notes_a_beat
    assert is_clear(step, most_seconds - 0.1)
    assert not is_clear(step, most_seconds + 0.1)


@pytest.mark.parametrize("place", ["nave", "bench"])
def test_longer_reverberation_asks_for_slower_figures(place: Place) -> None:
    """Monotone, inside the table and beyond it; the bench hears less of the room than the nave."""
    steps = [shortest_clear_seconds(tenth / 10, place) for tenth in range(2, 80)]
    assert steps == sorted(steps)
    assert all(0 < step < 0.75 for step in steps)
    assert shortest_clear_seconds(2.0, "bench") == pytest.approx(0.167)
    assert notes_a_second(2.0, "bench") > notes_a_second(2.0, "nave")


def test_the_shortest_of_some_lengths() -> None:
    """At 84 a minute: semiquavers (179 ms) are clear in a dry room, quavers in a live one, neither at 8 s."""
    quarter, lengths = 60 / 84, (Fraction(1, 4), Fraction(1, 3), Fraction(1, 2))
    assert shortest_clear_length(ROOMS["dry"].seconds, quarter, lengths) == Fraction(1, 4)
    assert shortest_clear_length(ROOMS["live"].seconds, quarter, lengths) == Fraction(1, 2)
    assert shortest_clear_length(8.0, quarter, lengths) is None


@pytest.mark.parametrize("nonsense", [-1.0, float("nan")])
def test_a_room_that_cannot_be(nonsense: float) -> None:
    with pytest.raises(ValueError, match="no sense"):
        shortest_clear_seconds(nonsense)


def test_rooms() -> None:
    """The four words, their middle reverberation, and there and back through the codec."""
    assert [(name, room.seconds) for name, room in ROOMS.items()] == [
        ("dry", 0.7), ("average", 1.3), ("live", 2.0), ("very live", 4.0),
    ]  # fmt: skip
    assert Room().seconds == 1.3
    assert Room(reverberation=((2000, 1.0), (250, 3.0))).seconds == 2.0
    assert (Room().volume, Room().surface) == (4312, 1708)
    for room in ROOMS.values():
        assert decode(Room, encode(room)) == room

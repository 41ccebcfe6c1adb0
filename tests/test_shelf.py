"""Her hymns in their folder: whole files only, nothing lost, nothing written over by another window."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path

import pytest

from undersong.demo import hymn_files
from undersong.errors import CannotReadFile, CannotWrite
from undersong.harmony import analyse
from undersong.harmony.edits import chord_edit, parse_setting
from undersong.library.amending import amended, place_of
from undersong.library.shelf import Changed, Kept, NotHere, Shelf, with_chord, without_chord
from undersong.model.edits import Amendments
from undersong.model.plan import Plan, VersePlan
from undersong.model.time import Pace
from undersong.reading import read_file

HYMN = hymn_files()[0]


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path / "her hymns")


@pytest.fixture
def name(shelf: Shelf) -> str:
    return shelf.add("received.musicxml", HYMN.read_bytes(), ".musicxml", "Water, waking — Ä")


def test_the_source_is_kept_as_it_came(shelf: Shelf, name: str) -> None:
    """Byte for byte, under a plain name."""
    kept = shelf.open(name)
    assert name == "water-waking-a"
    assert kept.source.read_bytes() == HYMN.read_bytes()
    assert (kept.received, kept.title, kept.undoes) == ("received.musicxml", "Water, waking — Ä", "")


def test_names_do_not_collide(shelf: Shelf) -> None:
    """Three hymns of one title."""
    names = {shelf.add("a.abc", b"X:1", ".abc", "Praise") for _ in range(3)}
    assert names == {"praise", "praise-2", "praise-3"}


def test_everything_she_changed_comes_back(shelf: Shelf, name: str) -> None:
    """Chords, plan, and what she put right in the reading."""
    hymn = read_file(HYMN)[0]
    key = analyse(hymn).key
    edit = chord_edit(hymn.tune, key, *parse_setting("2.1=Dm7/C"))
    plan = Plan((VersePlan(1, "block", pace=Pace(90, hymn.tune.bars[0].time.beat)), VersePlan(None, "unison")))  # type: ignore[arg-type]
    wanted = Amendments(title="Springs", lines=("1.1", "5.1"), breaths=())

    def change(kept: Kept) -> Kept:
        return replace(with_chord(kept, edit, key), plan=plan, amendments=wanted)

    shelf.change(name, shelf.open(name).version, "all of it", change)
    again = Shelf(shelf.folder).open(name)
    assert again.edits.edits == (edit,)
    assert again.plan == plan
    assert again.amendments == wanted
    assert without_chord(again, edit.bar, edit.beat, edit.times).edits.edits == ()


def test_a_write_from_an_old_version_is_refused_and_told(shelf: Shelf, name: str) -> None:
    """Two windows: the second write finds the first."""
    old = shelf.open(name).version
    shelf.change(name, old, "renamed here", lambda kept: replace(kept, title="Here"))
    with pytest.raises(Changed):
        shelf.change(name, old, "renamed there", lambda kept: replace(kept, title="There"))
    assert shelf.open(name).title == "Here"
    assert shelf.since(name, old) == ["renamed here"]


def test_undo_and_redo_walk_through_every_state(shelf: Shelf, name: str) -> None:
    """Back to the beginning and forth again; a new change ends the way forth."""
    for title in "ABC":
        shelf.change(name, shelf.open(name).version, f"named {title}", lambda kept, t=title: replace(kept, title=t))  # type: ignore[misc]
    seen = []
    while shelf.open(name).undoes:
        seen.append(shelf.open(name).undoes)
        shelf.undo(name, shelf.open(name).version)
    assert seen == ["named C", "named B", "named A"]
    assert shelf.open(name).title == "Water, waking — Ä"
    assert shelf.redo(name, shelf.open(name).version).title == "A"
    assert shelf.open(name).redoes == "named B"
    shelf.change(name, shelf.open(name).version, "named D", lambda kept: replace(kept, title="D"))
    assert shelf.open(name).redoes == ""


def test_many_writers_lose_nothing(shelf: Shelf, name: str) -> None:
    """Sixteen threads, each adding its own letter, each trying again when it came too late."""

    def add(letter: str) -> None:
        while True:
            try:
                shelf.change(
                    name, shelf.open(name).version, letter, lambda kept: replace(kept, title=kept.title + letter)
                )
            except Changed:
                continue
            return

    letters = "abcdefghijklmnop"
    threads = [threading.Thread(target=add, args=(letter,)) for letter in letters]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(shelf.open(name).title[-len(letters) :]) == list(letters)


def test_a_write_that_fails_leaves_the_old_state(shelf: Shelf, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk is full in the middle of the file."""
    version = shelf.open(name).version

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("undersong.library.shelf.os.fsync", full)
    with pytest.raises(CannotWrite, match="No space left"):
        shelf.change(name, version, "x", lambda kept: replace(kept, title="half"))
    monkeypatch.undo()
    assert shelf.open(name).version == version
    assert not list(shelf.hymns.rglob("*.part"))


@pytest.mark.parametrize("bad", ["", "..", "../x", "a/b", "A", "x" * 200, ".hidden", "con\0", "no-such-hymn"])
def test_names_are_looked_up_never_built(shelf: Shelf, name: str, bad: str) -> None:
    """Whatever an address holds, it is a hymn of the list or nothing."""
    with pytest.raises(NotHere):
        shelf.open(bad)
    with pytest.raises(NotHere):
        shelf.received(bad)


@pytest.mark.parametrize(
    "text", ["", "title = ", "source = '../../etc/passwd'", "source = 'source.abc'\nchord = 3", "\xff"]
)
def test_a_broken_file_is_told_and_hides_no_other(shelf: Shelf, name: str, text: str) -> None:
    """Mended by hand, or spoilt."""
    good = shelf.add("b.abc", b"X:1", ".abc", "Good")
    (shelf.hymns / name / "hymn.toml").write_bytes(text.encode("latin-1"))
    with pytest.raises(CannotReadFile):
        shelf.open(name)
    assert [one.name for one in shelf.all()] == [good]
    assert shelf.broken()[0].startswith(name)


def test_a_hymn_taken_off_can_be_put_back(shelf: Shelf, name: str) -> None:
    """It is moved, not deleted."""
    place = shelf.remove(name, shelf.open(name).version)
    assert shelf.names() == []
    place.rename(shelf.hymns / name)
    assert shelf.open(name).title == "Water, waking — Ä"


def test_what_she_put_right_is_worked_into_the_hymn() -> None:
    """Another tune voice, two verses of four, lines of her own; a place that is not there is passed over."""
    hymn = read_file(HYMN)[0]
    done = amended(hymn, Amendments(melody="tenor", verses=(1, 3), lines=("3.1", "99.1", "x"), breaths=("2.1",)))
    assert done.tune.tune_voice.name == "tenor"
    assert [verse.number for verse in done.text.verses] == [1, 3]
    assert [place_of(done.tune, line.onset) for line in done.tune.lines] == ["1.1", "3.1"]
    assert [place_of(done.tune, one) for one in done.tune.breaths] == ["2.1"]
    assert done.tune.lines[-1].end == hymn.tune.length

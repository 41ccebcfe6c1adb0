"""The order of the stages, and nothing else: no musical decision is made here.

read -> harmony -> arrange -> perform -> write. Both doors, command line and page, call these.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Self

from undersong.arranging import arrange, default_plan
from undersong.errors import CannotWrite, UnknownName
from undersong.harmony import analyse, thin
from undersong.harmony.edits import Sorted, chord_edit, corrected, parse_setting
from undersong.harmony.players import Thinned, Unit
from undersong.library.amending import amended
from undersong.library.bench import Bench, read_bench, room_of, stop_from, stop_line, write_bench
from undersong.library.editsfile import add_edit, read_edits
from undersong.library.organfile import find_organ, read_organ_text, ready_names, remarks
from undersong.library.shelf import Changed, Kept, NotHere, Shelf, home, with_chord, without_chord
from undersong.model.accompaniment import Arrangement
from undersong.model.edits import NO_EDITS, Amendments, Edit, Edits
from undersong.model.harmony import ChordSpan, Harmony
from undersong.model.hymn import Hymn
from undersong.model.organ import TWO_MANUALS, Organ
from undersong.model.pitch import Interval, Key, Pitch, interval_for
from undersong.model.plan import Plan, TunePlace
from undersong.model.player import MEDIUM, Player
from undersong.model.room import Room
from undersong.model.symbol import parse_symbol
from undersong.model.time import Time
from undersong.model.tune import Symbol
from undersong.reading import Reading, read_file
from undersong.reading import read_all as read_all_of
from undersong.reading.midi_options import NOTHING_GIVEN, MidiOptions
from undersong.reading.typed import Slip, Taken, Typed, letters_for, take
from undersong.writing.booklet import booklet, marks_at_notes, page_size
from undersong.writing.engraver import Engraver
from undersong.writing.exchange import exchange_file

__all__ = [
    "Bench", "Changed", "Kept", "NotHere", "Shelf", "Slip", "Taken", "Typed", "find_organ", "home", "letters_for",
    "read_bench", "read_organ_text", "ready_names", "remarks", "room_of", "stop_from", "stop_line", "take",
    "with_chord", "without_chord", "write_bench",
]  # fmt: skip
"""What the doors use of the library; everything else of this module is its own."""

FORMATS = ("pdf", "musicxml", "midi", "svg")


@dataclass(frozen=True, slots=True)
class Wishes:
    """What she asks of an arrangement; the defaults are a plan of the program's own."""

    verses: tuple[int, ...] = ()
    textures: tuple[str, ...] = ()
    tune: TunePlace | None = None
    transpose: int = 0
    key: str = ""
    organ: Organ = TWO_MANUALS
    player: Player = field(default=MEDIUM)


def read(path: Path) -> tuple[Hymn, ...]:
    """The hymns in a file."""
    return read_file(path)


def read_all(path: Path, midi: MidiOptions = NOTHING_GIVEN) -> Reading:
    """The hymns in a file, and the failures of those tunes of a collection that were refused."""
    return read_all_of(path, midi)


def _hymn_page(hymns: Sequence[Hymn]) -> bytes:
    from undersong.writing.hymnfile import hymn_page  # noqa: PLC0415  # pages do without

    return hymn_page(hymns)


def _abc_book(hymns: Sequence[Hymn]) -> bytes:
    from undersong.writing.abc import abc_book  # noqa: PLC0415  # as above

    return abc_book(hymns)


HYMN_WRITERS: dict[str, Callable[[Sequence[Hymn]], bytes]] = {
    ".musicxml": _hymn_page,
    ".xml": _hymn_page,
    ".abc": _abc_book,
}
"""How hymns themselves are written, by the ending of the file."""


def writer_for(path: Path) -> Callable[[Sequence[Hymn]], bytes]:
    """How a file of that name is written; UnknownName for an ending that hymns are not written to."""
    writer = HYMN_WRITERS.get(path.suffix.lower())
    if writer is None:
        kinds = ", ".join(HYMN_WRITERS)
        raise UnknownName(f"hymns are not written to {path.suffix or 'nameless'} files", remedy=f"Use {kinds}.")
    return writer


def save(hymns: Sequence[Hymn], path: Path) -> Path:
    """Write hymns to one file, in the format its name tells; CannotWrite where that fails."""
    return _put(path.parent, {path.name: writer_for(path)(hymns)})[0]


@dataclass(frozen=True, slots=True)
class Heard:
    """The harmony of a hymn with her corrections in it, and what became of them."""

    harmony: Harmony
    edits: Sorted

    def remarks(self) -> list[str]:
        """A sentence for each correction that moved or sleeps."""
        told = [f"your chord of {one.moved} has moved with the tune" for one in self.edits.placed if one.moved]
        return told + [
            f"your chord of bar {one.bar}, beat {one.beat} has lost its place in the tune and sleeps"
            for one in self.edits.dormant
        ]


def corrections(path: Path, *, alone: bool = True) -> Edits:
    """Her corrections beside a hymn file; a collection has none, because they would not say which tune they mean."""
    return read_edits(path) if alone else NO_EDITS


def correct(path: Path, hymn: Hymn, settings: Sequence[str]) -> list[Path]:
    """Keep chord settings such as `7.3=Am/C` beside the hymn file; UnknownName if one cannot be understood."""
    key = analyse(hymn).key
    try:
        edits = [chord_edit(hymn.tune, key, *parse_setting(text)) for text in settings]
    except ValueError as fault:
        raise UnknownName(str(fault), remedy="Write BAR.BEAT=CHORD for a beat the bar has.") from fault
    return [add_edit(path, one, key) for one in edits]


def harmonise(hymn: Hymn, edits: Edits = NO_EDITS) -> Heard:
    """The harmony of a hymn, her corrections first."""
    return Heard(*corrected(hymn, edits))


def guitarist(hymn: Hymn, harmony: Harmony, unit: Unit) -> Thinned:
    """The guitarist's chords, and where they clash with the full reading."""
    return thin(hymn.tune, harmony, unit)


def lay_out(hymn: Hymn, wishes: Wishes, edits: Edits = NO_EDITS) -> Arrangement:
    """A hymn laid out for organ; UnknownName for a verse, texture or key that does not exist."""
    harmony = harmonise(hymn, edits).harmony
    return arrange(hymn, harmony, plan_for(hymn, harmony, wishes), wishes.organ, wishes.player)


def plan_for(hymn: Hymn, harmony: Harmony, wishes: Wishes) -> Plan:
    """The plan that her wishes leave to the program; UnknownName for a verse or key that does not exist."""
    signature = hymn.tune.bars[0].key
    if wishes.key:
        interval = interval_to(harmony.key, wishes.key, _compass(hymn), signature)
    else:
        interval = interval_for(signature, wishes.transpose)
    _known_verses(hymn, wishes.verses)
    return default_plan(hymn, wishes.verses, wishes.textures, wishes.tune, interval)


def _known_verses(hymn: Hymn, wanted: tuple[int, ...]) -> None:
    have = [verse.number for verse in hymn.text.verses]
    missing = [number for number in wanted if number not in have]
    if missing and have:
        known = ", ".join(map(str, have))
        raise UnknownName(f"{hymn.title!r} has no verse {missing[0]}", remedy=f"It has verses {known}.")
    if missing:
        raise UnknownName(f"{hymn.title!r} has no words, so no verses", remedy="Leave --verses out.")


HIGHEST_SUNG, LOWEST_SUNG = 75, 57
"""E flat 5 and A3: what people in the nave sing (trade practice; AGO and hymnal editors differ by a tone)."""


MOST_ACCIDENTALS = 6
"""A key asked for keeps its spelling up to this signature (hymnals print no more: common practice, no source)."""


def interval_to(home: Key, wanted: str, tune: tuple[int, int] = (60, 72), signature: Key | None = None) -> Interval:
    """The way from the home key to a named one, less than an octave.

    Of the two ways the one that keeps the tune (lowest and highest key, MIDI numbers) where people
    sing; between equals the nearer. Spelled as asked (E flat minor, not D sharp minor) unless the
    printed signature, which in a church mode is not that of `home`, would grow past six.
    """
    signature = signature or home
    try:
        key = Key.parse(wanted.strip())
    except ValueError:
        raise UnknownName(f"{wanted!r} is not a key", remedy="Write Eb, F#, 'D minor' or Dm.") from None
    if key.mode != home.mode and key.mode == "minor":
        raise UnknownName(f"the hymn is in {home}, not in a minor key", remedy="Name a major key.")
    up = (key.tonic.pitch_class - home.tonic.pitch_class) % 12

    def strain(way: int) -> tuple[int, int]:
        return max(0, tune[1] + way - HIGHEST_SUNG) + max(0, LOWEST_SUNG - tune[0] - way), abs(way)

    semitones = min((up, up - 12) if up else (0,), key=strain)
    fifths = key.tonic.fifths - home.tonic.fifths
    asked = Interval(4 * fifths + 7 * ((semitones - 7 * fifths) // 12), semitones)
    return asked if abs(signature.transposed(asked).fifths) <= MOST_ACCIDENTALS else interval_for(signature, semitones)


def _compass(hymn: Hymn) -> tuple[int, int]:
    keys = [note.pitch.midi for note in hymn.tune.tune_voice.notes]
    return min(keys), max(keys)


def midi_of(arrangement: Arrangement) -> bytes:
    """The arrangement as a MIDI file."""
    from undersong.performing import perform  # noqa: PLC0415  # pages alone do without
    from undersong.writing.midi import midi_file  # noqa: PLC0415

    return midi_file(perform(arrangement), TWO_MANUALS, arrangement.title)


@dataclass(frozen=True, slots=True)
class Output:
    """Where and how the results are written."""

    folder: Path
    formats: tuple[str, ...] = ("pdf", "musicxml", "midi")
    paper: str = "a4"
    large: bool = False


class Writer:
    """Writes arrangements into a folder; keeps one warm engraver for all of them.

    Nothing is half-written: each file appears whole, and a hymn's files only once all of them exist.
    """

    def __init__(self, output: Output) -> None:
        self.output = output
        self._open = ExitStack()
        self._engraver: Engraver | None = None

    def __enter__(self) -> Self:
        """Start the engraver if pages are wanted, so that it loads while the hymn is being read."""
        if {"pdf", "svg"} & set(self.output.formats):
            self._warm()
        return self

    def __exit__(self, *_: object) -> None:
        """End the engraver."""
        self._open.close()
        self._engraver = None

    def _warm(self) -> Engraver:
        if self._engraver is None:
            self._engraver = self._open.enter_context(Engraver())
        return self._engraver

    def write(self, arrangement: Arrangement, name: str, say: Callable[[str], None] = lambda _: None) -> list[Path]:
        """Write one arrangement as `name` in all formats asked for; the paths in order."""
        made: dict[str, bytes] = {}
        formats = self.output.formats
        if "musicxml" in formats:
            say("writing the exchange file")
            made[f"{name}.musicxml"] = exchange_file(arrangement)
        if "midi" in formats:
            say("writing MIDI")
            made[f"{name}.mid"] = midi_of(arrangement)
        if {"pdf", "svg"} & set(formats):
            made.update(self._pages(arrangement, name, say))
        return _put(self.output.folder, made)

    def _pages(self, arrangement: Arrangement, name: str, say: Callable[[str], None]) -> dict[str, bytes]:
        engraver = self._warm()
        size = page_size(self.output.paper, large=self.output.large)
        systems = {}
        for section in arrangement.sections:
            say(f"engraving {section.name.lower()}")
            page = exchange_file(arrangement, [section])
            lines = [line.start for line in section.lines]
            marks = marks_at_notes(arrangement, section)
            systems[section.id] = engraver.engrave_section(page, size, lines=lines, marks=marks)
        made: dict[str, bytes] = {}
        if "svg" in self.output.formats:
            for section_id, engraved in systems.items():
                for index, system in enumerate(engraved, 1):
                    made[f"{name}-{section_id}-{index:02}.svg"] = system.svg.encode()
        if "pdf" in self.output.formats:
            say("setting the pages")
            made[f"{name}.pdf"] = booklet(arrangement, systems, self.output.paper, large=self.output.large)
        return made


def file_name(title: str, taken: Sequence[str] = ()) -> str:
    """A plain file name for a title, not among those taken."""
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().lower()
    name = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-") or "hymn"
    number, unique = 1, name
    while unique in taken:
        number += 1
        unique = f"{name}-{number}"
    return unique


def _put(folder: Path, made: dict[str, bytes]) -> list[Path]:
    """Write all files beside their places first, then move them in."""
    waiting: list[tuple[Path, Path]] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in made.items():
            with NamedTemporaryFile(dir=folder, prefix=".undersong-", delete=False) as file:
                waiting.append((Path(file.name), folder / name))
                file.write(data)
        for temporary, place in waiting:
            temporary.chmod(0o644)
            temporary.replace(place)
    except (FileExistsError, NotADirectoryError) as fault:
        raise CannotWrite(
            f"{folder} is a file, or lies inside one", remedy="Name a folder, or a name that is not taken."
        ) from fault
    except OSError as fault:
        raise CannotWrite(f"{folder}: {fault.strerror or fault}", file="") from fault
    finally:
        for temporary, _ in waiting:
            temporary.unlink(missing_ok=True)
    return [place for _, place in waiting]


# ------------------------------------------------------------------------- what the page in the browser asks for


@dataclass(frozen=True, slots=True)
class HymnPage:
    """A hymn as a page to be engraved: its chords over it, where lines begin, and the chords in the page's order."""

    music: bytes
    lines: tuple[Fraction, ...]
    spans: tuple[ChordSpan, ...]


def hymn_with_chords(hymn: Hymn, harmony: Harmony) -> HymnPage:
    """The hymn with its chords over it, as they are the first time through. CannotWrite if it cannot be set."""
    from undersong.writing.hymnfile import hymn_file  # noqa: PLC0415  # as above

    printed = {one.onset: one.text for one in hymn.tune.symbols}
    spans = tuple(span for span in harmony.spans if not span.passes or 1 in span.passes)
    symbols = tuple(
        Symbol(span.onset, span.chord, printed.get(span.onset, "") if span.origin == "printed" else "")
        for span in spans
    )
    shown = replace(hymn, tune=replace(hymn.tune, symbols=symbols))
    return HymnPage(hymn_file(shown), tuple(line.onset for line in hymn.tune.lines), spans)


def amend(hymn: Hymn, amendments: Amendments) -> Hymn:
    """The hymn with what she put right in its reading."""
    return amended(hymn, amendments)


def told_of_midi(amendments: Amendments) -> MidiOptions:
    """What she told of a MIDI file; UnknownName if it cannot be understood."""
    try:
        return MidiOptions(
            time=Time.parse(amendments.time) if amendments.time else None,
            key=Key.parse(amendments.key) if amendments.key else None,
            pickup=Fraction(amendments.pickup) if amendments.pickup else None,
        )
    except (ValueError, ZeroDivisionError) as fault:
        raise UnknownName(
            str(fault), remedy="Write a time such as 3/4, a key such as Eb, a pickup in beats."
        ) from fault


def one_chord(hymn: Hymn, bar: str, beat: str, times: int, text: str) -> tuple[Edit, Key]:
    """Her chord at a place as an edit, and the key it is written in; UnknownName if it cannot be understood."""
    key = analyse(hymn).key
    try:
        return chord_edit(hymn.tune, key, bar, Fraction(beat), times, parse_symbol(text)), key
    except (ValueError, ZeroDivisionError) as fault:
        raise UnknownName(str(fault), remedy="Write a chord such as Am, G7 or D/F#.") from fault


def lay_out_plan(hymn: Hymn, harmony: Harmony, plan: Plan, organ: Organ, player: Player, room: Room) -> Arrangement:
    """A hymn laid out by a plan of hers."""
    return arrange(hymn, harmony, plan, organ, player, room)


@dataclass(frozen=True, slots=True)
class PossibleKey:
    """A key the hymn may be played in: the tune's lowest and highest note there, and whether people can sing it."""

    name: str
    transpose: Interval
    low: Pitch
    high: Pitch
    suits: bool
    printed: bool


def possible_keys(hymn: Hymn, harmony: Harmony) -> tuple[PossibleKey, ...]:
    """Every key within a fourth of the printed one, highest first."""
    signature = hymn.tune.bars[0].key
    notes = sorted((note.pitch for note in hymn.tune.tune_voice.notes), key=lambda pitch: pitch.midi)
    found = []
    for way in range(5, -6, -1):
        interval = interval_for(signature, way)
        low, high = notes[0].transposed(interval), notes[-1].transposed(interval)
        suits = low.midi >= LOWEST_SUNG and high.midi <= HIGHEST_SUNG
        found.append(PossibleKey(str(harmony.key.transposed(interval)), interval, low, high, suits, way == 0))
    return tuple(found)


def play_it_in(plan: Plan, key: PossibleKey) -> Plan:
    """The plan in another key."""
    return replace(plan, transpose=key.transpose)

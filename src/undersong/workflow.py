"""The order of the stages, and nothing else: no musical decision is made here.

read -> harmony -> arrange -> perform -> write. Both doors, command line and page, call these.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import TYPE_CHECKING, Self

from undersong.arranging import arrange, default_plan
from undersong.arranging.innerparts import Proposed, with_inner_parts
from undersong.errors import CannotWrite, UnknownName
from undersong.harmony import analyse, thin
from undersong.harmony.edits import Sorted, chord_edit, corrected, onset_of, parse_setting
from undersong.harmony.players import Thinned, Unit
from undersong.library.amending import amended, moved
from undersong.library.bench import Bench, read_bench, room_of, stop_from, stop_line, write_bench
from undersong.library.editsfile import add_edit, read_edits
from undersong.library.organfile import find_organ, read_organ_text, ready_names, remarks
from undersong.library.shelf import Changed, Kept, NotHere, Shelf, home, with_chord, without_chord
from undersong.model.accompaniment import Arrangement
from undersong.model.edits import NO_EDITS, Amendments, Edit, Edits
from undersong.model.harmony import ChordSpan, Harmony
from undersong.model.hymn import Hymn
from undersong.model.organ import TWO_MANUALS, Organ, Stop
from undersong.model.pitch import Interval, Key, Pitch, interval_for, key_words
from undersong.model.plan import Plan, TunePlace
from undersong.model.player import MEDIUM, Player
from undersong.model.room import ROOMS, Room
from undersong.model.symbol import parse_symbol
from undersong.model.time import Time
from undersong.model.tune import Symbol, WalkedBar, sing, walk
from undersong.performing import perform
from undersong.performing.excerpt import bars_between, moment, one_after_another
from undersong.performing.inplace import Lit, Sung, around, between, lit_notes, with_her_chords, within
from undersong.performing.pace import Character, suited
from undersong.performing.practice import Practice, at_pace, in_a_row, only, practice
from undersong.performing.touch import NO_TOUCH, Touch
from undersong.reading import Reading, read_file
from undersong.reading import read_all as read_all_of
from undersong.reading.midi_options import NOTHING_GIVEN, MidiOptions
from undersong.reading.typed import Slip, Taken, Typed, letters_for, take, written_out
from undersong.registration import register
from undersong.writing.booklet import booklet, marks_at_notes, page_size
from undersong.writing.engraver import Engraver
from undersong.writing.exchange import exchange_file

__all__ = [
    "Bench", "Changed", "Kept", "NotHere", "Proposed", "Shelf", "Slip", "Taken", "Typed", "find_organ", "home",
    "letters_for", "moved", "read_bench", "read_organ_text", "ready_names", "remarks", "room_of", "stop_from",
    "stop_line", "take", "with_chord", "without_chord", "write_bench", "written_out",
]  # fmt: skip
"""What the doors use of the library; everything else of this module is its own."""
if TYPE_CHECKING:
    from undersong.sound.recordings import HeardRoom, HeardStop

FORMATS = ("pdf", "musicxml", "midi", "svg")


@dataclass(frozen=True, slots=True)
class Wishes:
    """What she asks of an arrangement; the defaults are a plan of the program's own."""

    verses: tuple[int, ...] = ()
    textures: tuple[str, ...] = ()
    tune: TunePlace | None = None
    inner_pedal: bool = False
    transpose: int = 0
    key: str = ""
    organ: Organ = TWO_MANUALS
    player: Player = field(default=MEDIUM)
    room: Room = ROOMS["average"]
    character: Character = "usual"
    touch: Touch = NO_TOUCH

    @property
    def how(self) -> Touch:
        """Her touch in her room on her organ."""
        return replace(self.touch, room=self.room, organ=self.organ)


NO_WISHES = Wishes()


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


def in_four_parts(hymn: Hymn) -> Proposed:
    """The hymn with alto, tenor and bass proposed where it has none."""
    return with_inner_parts(hymn, harmonise(hymn).harmony)


def guitarist(hymn: Hymn, harmony: Harmony, unit: Unit) -> Thinned:
    """The guitarist's chords, and where they clash with the full reading."""
    return thin(hymn.tune, harmony, unit)


def lay_out(hymn: Hymn, wishes: Wishes, edits: Edits = NO_EDITS) -> Arrangement:
    """A hymn laid out for organ; UnknownName for a verse, texture or key that does not exist."""
    harmony = harmonise(hymn, edits).harmony
    plan = plan_for(hymn, harmony, wishes)
    arrangement = arrange(hymn, harmony, plan, wishes.organ, wishes.player, wishes.room)
    return register(arrangement, wishes.organ, wishes.room)


def plan_for(hymn: Hymn, harmony: Harmony, wishes: Wishes) -> Plan:
    """The plan that her wishes leave to the program; UnknownName for a verse or key that does not exist."""
    signature = signature_of(hymn, harmony)
    if wishes.key:
        interval = interval_to(harmony.key, wishes.key, _compass(hymn), signature)
    else:
        interval = interval_for(signature, wishes.transpose)
    _known_verses(hymn, wishes.verses)
    plan = default_plan(hymn, wishes.verses, wishes.textures, wishes.tune, interval, inner_pedal=wishes.inner_pedal)
    return plan if hymn.tune.pace else suited(plan, hymn.tune.bars[0].time, wishes.room, wishes.character)


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


def signature_of(hymn: Hymn, harmony: Harmony) -> Key:
    """The first signature as a key of the harmony's mode: files seldom say whether it means a minor key."""
    return Key.from_fifths(hymn.tune.bars[0].key.fifths, harmony.key.mode)


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


def midi_of(arrangement: Arrangement, wishes: Wishes = NO_WISHES) -> bytes:
    """The arrangement as a MIDI file."""
    from undersong.writing.midi import midi_file  # noqa: PLC0415  # pages alone do without

    return midi_file(perform(arrangement, wishes.how), wishes.organ, arrangement.title)


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

    def write(
        self,
        arrangement: Arrangement,
        name: str,
        say: Callable[[str], None] = lambda _: None,
        wishes: Wishes = NO_WISHES,
    ) -> list[Path]:
        """Write one arrangement as `name` in all formats asked for; the paths in order."""
        made: dict[str, bytes] = {}
        formats = self.output.formats
        if "musicxml" in formats:
            say("writing the exchange file")
            made[f"{name}.musicxml"] = exchange_file(arrangement)
        if "midi" in formats:
            say("writing MIDI")
            made[f"{name}.mid"] = midi_of(arrangement, wishes)
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


@dataclass(frozen=True, slots=True)
class Hearing:
    """What she wants to hear of an arrangement, and how.

    `sections` are ids or verse numbers, all where none is named; `bars` printed numbers, first and last; `only` and
    `without` names of `performing.practice.PARTS`; the pace in per cent of the hymn's own.
    """

    sections: tuple[str, ...] = ()
    bars: tuple[str, str] | None = None
    only: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    per_cent: float = 100.0
    times: int = 1
    count_in: bool = False
    click: bool = False
    tremulants: frozenset[str] = frozenset()


BETWEEN_SECONDS = 1.5
"""Silence between two arrangements that are heard one after the other (assumed)."""


def to_be_heard(arrangements: Sequence[Arrangement], wishes: Wishes, hearing: Hearing) -> Practice:
    """The performance of some arrangements one after another; UnknownName for what they do not have."""
    heard = [_chosen(one, hearing) for one in arrangements]
    if hearing.bars or hearing.count_in or hearing.click or hearing.times > 1:
        return _practised(heard, wishes, hearing)
    return Practice(one_after_another([perform(one, wishes.how) for one in heard], BETWEEN_SECONDS))


def _practised(arrangements: Sequence[Arrangement], wishes: Wishes, hearing: Hearing) -> Practice:
    """Each section by itself, its bars counted in and repeated."""
    rows: list[Practice] = []
    for one in arrangements:
        performance = perform(one, wishes.how)
        for section in one.sections:
            bars = bars_between(section, *hearing.bars) if hearing.bars else ()
            if hearing.bars and not bars:
                first, last = section.bars[0].number, section.bars[-1].number
                raise UnknownName(
                    f"{section.title.lower()} has no bars {'-'.join(hearing.bars)}",
                    remedy=f"Its bars are {first} to {last}.",
                )
            rows.append(
                practice(performance, section, bars, times=hearing.times, count_in=hearing.count_in,
                         click=hearing.click)
            )  # fmt: skip
    return in_a_row(rows, 0.0 if hearing.count_in else BETWEEN_SECONDS)


def _chosen(arrangement: Arrangement, hearing: Hearing) -> Arrangement:
    """The sections and parts that are wanted, at the pace that is wanted."""
    ids = {one if "-" in one or not one.isdigit() else f"verse-{one}" for one in hearing.sections}
    have = [section.id for section in arrangement.sections]
    for name in sorted(ids - set(have)):
        raise UnknownName(f"there is no section {name}", remedy=f"There are {', '.join(have)}.")
    sections = tuple(one for one in arrangement.sections if not ids or one.id in ids)
    chosen = at_pace(replace(arrangement, sections=sections), hearing.per_cent)
    chosen = only(chosen, hearing.only, hearing.without)
    if not any(section.notes for section in chosen.sections):
        raise UnknownName("nothing is left to be heard", remedy="Name other parts: what you chose has no notes here.")
    return chosen


def sound_kind(path: Path) -> None:
    """UnknownName for a file ending that sound is not written to."""
    from undersong.sound.listening import kind_of  # noqa: PLC0415  # as below

    kind_of(path)


def listen(
    arrangements: Sequence[Arrangement], wishes: Wishes, hearing: Hearing, path: Path,
    say: Callable[[str], None] = lambda _: None,
) -> float:  # fmt: skip
    """Write what is to be heard into a sound file (.flac, .wav, .ogg); its seconds."""
    from undersong.sound.listening import write_sound  # noqa: PLC0415  # scipy and soundfile load only for sound
    from undersong.sound.render import Renderer  # noqa: PLC0415
    from undersong.sound.tones import RATE  # noqa: PLC0415

    heard = to_be_heard(arrangements, wishes, hearing)
    for name in hearing.tremulants:
        if wishes.organ.division(name) is None:
            names = ", ".join(one.name for one in wishes.organ.divisions)
            raise UnknownName(f"there is no division {name!r}", remedy=f"The organ has {names}.")
    renderer = Renderer(heard.performance, wishes.organ, wishes.room, tremulants=hearing.tremulants)
    write_sound(renderer, path, say, heard.clicks)
    return renderer.length / RATE


def load_sound() -> None:
    """What makes sound, loaded before it is wanted."""
    from undersong.sound import listening, render  # noqa: F401, PLC0415  # as above


def sound_length(heard: Practice, wishes: Wishes) -> tuple[float, int]:
    """Seconds of what is to be heard with the room's ringing after it, and bytes of the WAV file that `pour` writes."""
    from undersong.sound.listening import wav_size  # noqa: PLC0415  # as above
    from undersong.sound.render import Renderer  # noqa: PLC0415
    from undersong.sound.tones import RATE  # noqa: PLC0415

    frames = Renderer(heard.performance, wishes.organ, wishes.room).length
    return frames / RATE, wav_size(frames)


def pour(heard: Practice, wishes: Wishes, path: Path) -> None:
    """Write what is to be heard into a WAV file that can be read while it grows."""
    from undersong.sound.listening import pour_sound  # noqa: PLC0415  # as above
    from undersong.sound.render import Renderer  # noqa: PLC0415

    pour_sound(Renderer(heard.performance, wishes.organ, wishes.room), path, clicks=heard.clicks)


def hear_room(paths: Sequence[Path]) -> HeardRoom:
    """How long a room rings, from recordings of chords cut off."""
    from undersong.sound import recordings  # noqa: PLC0415  # scipy and soundfile load only for sound

    return recordings.hear_room([recordings.read_recording(path) for path in paths])


def hear_stop(name: str, given: Sequence[str], organ_name: str) -> HeardStop:
    """The spectrum of a stop from recordings given as `C4=file.wav`; UnknownName for a key or stop that is none."""
    from undersong.acoustics.stopnames import recognise  # noqa: PLC0415  # as above
    from undersong.acoustics.temperament import key_hz  # noqa: PLC0415
    from undersong.sound import recordings  # noqa: PLC0415

    organ, found = find_organ(organ_name), recognise(name)
    if found is None or not found.feet:
        raise UnknownName(f"the stop {name!r} is not known", remedy='Write its name with its length, as in "Oboe 8".')
    pitch = float(Stop(found.name, found.feet, found.kind.family).pitch)
    notes = []
    for text in given:
        key, equals, path = text.partition("=")
        try:
            number = Pitch.parse(key.strip()).midi
        except ValueError:
            number = -1
        if not equals or number < 0:
            raise UnknownName(f"{text!r} names no key and recording", remedy="Write C4=recording.wav for middle C.")
        hertz = key_hz(number, organ.a4_hz, organ.temperament) * pitch
        notes.append((recordings.read_recording(Path(path)), hertz))
    return recordings.hear_stop(notes)


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
            pickup=Fraction(amendments.pickup.replace(",", ".")) if amendments.pickup else None,
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


@dataclass(frozen=True, slots=True)
class InPlace:
    """A chord to be heard in its place, and what is lit of the hymn's page meanwhile."""

    practice: Practice
    lit: tuple[Lit, ...]


def in_place(
    hymn: Hymn, harmony: Harmony, plan: Plan, bench: Bench, at: tuple[str, str], symbols: Mapping[str, ChordSpan]
) -> InPlace:
    """The chord before a place (bar, beat), the one that sounds there and the one after, in the plan's first verse.

    The printed parts, where there are four, and the harmony instead of them where she changed it; else block chords.
    `symbols` are the chords that the page shows, by id. UnknownName if the tune has no such place.
    """
    from undersong.writing.hymnfile import note_id  # noqa: PLC0415  # as above

    try:
        onset = onset_of(hymn.tune, at[0], Fraction(at[1]))
    except (ValueError, ZeroDivisionError) as fault:
        raise UnknownName(str(fault), remedy="Load the page again.") from fault
    steps = walk(hymn.tune)
    row = replace(plan.verses[0], texture="block", tune="at-pitch", pattern="", right="", left="", inner_pedal=False)
    made = lay_out_row(hymn, harmony, replace(plan, verses=(row,)), 0, bench)
    if hymn.tune.four_parts:
        printed = lay_out_row(hymn, harmony, replace(plan, verses=(replace(row, texture="as-printed"),)), 0, bench)
        hers = [window for span in harmony.spans if span.origin == "edited" for window in _walked(span, steps)]
        section = with_her_chords(printed.sections[0], made.sections[0], hers)
        made = replace(printed, sections=(section,))
    made = joined([made], replace(plan, verses=(row,)), bench)
    section = made.sections[0]
    whole = perform(made, Wishes(organ=bench.organ, player=bench.player, room=bench.room).how)
    start = next(
        (step.start_of(onset) for step in steps if step.onset <= onset < step.onset + step.length), Fraction(0)
    )
    window = around(section, start)
    sung = {
        voice.name: [
            Sung(note_id(voice.name, one.note.onset), one.start, one.end, one.note.pitch.midi)
            for one in sing(hymn.tune, voice.notes)
        ]
        for voice in hymn.tune.transposed(plan.transpose).voices
    }
    lit = [*lit_notes(whole, section, sung)]
    for name, span in symbols.items():
        lit += [Lit(name, *(moment(whole, section.id, one) for one in window)) for window in _walked(span, steps)]
    begin, end = (moment(whole, section.id, place) for place in window)
    return InPlace(Practice(between(whole, section, window)), within(lit, begin, end))


def _walked(span: ChordSpan, steps: Sequence[WalkedBar]) -> Iterator[tuple[Fraction, Fraction]]:
    """Where a span of the page sounds along the walk, bar by bar."""
    for step in steps:
        first, last = max(span.onset, step.onset), min(span.end, step.onset + step.length)
        if first < last and (not span.passes or step.times in span.passes):
            yield step.start_of(first), step.start_of(last)


def lay_out_row(hymn: Hymn, harmony: Harmony, plan: Plan, row: int, bench: Bench) -> Arrangement:
    """One row of a plan laid out, still without stops; no note of it depends on what stands in other rows."""
    same = tuple(one for one in plan.verses[:row] if one.verse == plan.verses[row].verse)
    alone = replace(plan, verses=(*same, plan.verses[row]))
    made = arrange(hymn, harmony, alone, bench.organ, bench.player, bench.room)
    section = made.sections[-1]
    found = tuple(one for one in made.findings if one.section == section.id)
    return replace(made, sections=(section,), findings=found)


def joined(rows: Sequence[Arrangement], plan: Plan, bench: Bench) -> Arrangement:
    """Rows that were laid out one by one, as one arrangement with its stops."""
    sections = tuple(section for one in rows for section in one.sections)
    findings = tuple(finding for one in rows for finding in one.findings)
    whole = replace(rows[0], plan=plan, sections=sections, findings=findings)
    return register(whole, bench.organ, bench.room)


def only_section(arrangement: Arrangement, index: int) -> Arrangement:
    """One section of an arrangement with what is to be said of it."""
    section = arrangement.sections[index]
    found = tuple(one for one in arrangement.findings if one.section == section.id)
    return replace(arrangement, sections=(section,), findings=found)


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
    signature = signature_of(hymn, harmony)
    notes = sorted((note.pitch for note in hymn.tune.tune_voice.notes), key=lambda pitch: pitch.midi)
    found = []
    for way in range(5, -6, -1):
        interval = interval_for(signature, way)
        low, high = notes[0].transposed(interval), notes[-1].transposed(interval)
        name = key_words(harmony.key.transposed(interval), harmony.mode)
        suits = low.midi >= LOWEST_SUNG and high.midi <= HIGHEST_SUNG
        found.append(PossibleKey(name, interval, low, high, suits, way == 0))
    return tuple(found)


def play_it_in(plan: Plan, key: PossibleKey) -> Plan:
    """The plan in another key."""
    return replace(plan, transpose=key.transpose)

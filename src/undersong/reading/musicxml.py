"""MusicXML to a hymn.

The document passes through three rooms: `container` opens it safely, `raw` says what it holds, and here it
becomes a hymn: voices are chosen, bars are counted, words are put under the tune, lines are found.

Conventions: everything that had to be supposed stands in `Hymn.assumed`, everything not kept in
`Hymn.left_out`, each with its place.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Sequence
from dataclasses import replace
from fractions import Fraction

from undersong.model.chord import KINDS, NO_CHORD, Chord
from undersong.model.hymn import Hymn
from undersong.model.pitch import PitchName
from undersong.model.symbol import parse_symbol
from undersong.model.text import Text
from undersong.model.tune import Bar, Note, Passage, Symbol, Tune, Voice
from undersong.reading.container import open_score
from undersong.reading.divide import divided
from undersong.reading.keys import church_mode, settle_keys
from undersong.reading.lines import find_lines
from undersong.reading.metre import poetic_metre
from undersong.reading.notebook import Notebook
from undersong.reading.page import build_bars, with_keys
from undersong.reading.raw import RawHarmony, RawPart, RawScore, read_score
from undersong.reading.rhythms import set_apart
from undersong.reading.route import build_route, by_verse_route, read_repeats, verse_endings
from undersong.reading.strands import Strand, find_strands
from undersong.reading.titles import metre_lines, read_pace, read_titles
from undersong.reading.words import read_words


def read_musicxml(data: bytes, file: str = "") -> Hymn:
    """The hymn in a plain or compressed MusicXML document.

    Every failure is an `UndersongError` with the file and, where there is one, the place: CannotReadFile,
    BrokenFile, NotAHymn, BrokenBar.
    """
    return hymn_of(read_score(open_score(data, file), file), file)


def hymn_of(score: RawScore, file: str = "", notebook: Notebook | None = None) -> Hymn:
    """Make a hymn of what the document says; `notebook` holds what was already remarked on the way here."""
    notebook = notebook or Notebook()
    score, groups = set_apart(divided(score))
    strands = find_strands(score, notebook, file)
    bars = build_bars(strands, notebook, file)
    voices = tuple(Voice(strand.name, _notes(strand, bars, notebook)) for strand in strands)
    bars = with_keys(bars, settle_keys(strands[0].part, bars, voices, notebook))
    repeats = tuple(one for one in read_repeats(score.parts) if one.bar < len(bars))
    by_verse = verse_endings(score.parts)
    route = by_verse_route(repeats, len(bars)) if by_verse else build_route(repeats, len(bars), score.order)
    if by_verse:
        notebook.assume("endings are printed for single verses; the one for most verses is taken for all", by_verse[0])
    if route is None:
        notebook.assume("the repeat signs lead in a circle; the page is sung through once")
        route = ()
    titles = read_titles(score, file, notebook)
    tune = Tune(
        bars,
        voices,
        voices[0].name,
        symbols=_symbols(score, strands, bars, notebook, _times_through(route, len(bars))),
        breaths=_breaths(strands, bars, voices[0]),
        holds=_holds(strands, bars, voices[0]),
        repeats=repeats,
        route=route,
        pace=read_pace(score.parts, bars, notebook),
        mode=church_mode(strands[0].part, len(bars)),
    )
    home = strands[0]
    groups = tuple(one for one in groups if (one.part, one.staff) == (home.part.id, home.staff))
    words = read_words(score, strands, tune, notebook, groups)
    tune = replace(tune, route=words.route)
    text = Text(words.verses, titles.metre, titles.author, titles.translator, titles.text_rights, words.refrain)
    hints = {bars[bar].onset + at for bar, at in score.breaks if bar < len(bars)}
    tune = replace(tune, lines=find_lines(tune, text, hints))
    text = _with_metre(tune, text, hints, notebook)
    _mention(score, strands, notebook)
    return Hymn(
        titles.title,
        tune,
        text,
        titles.tune_name,
        titles.composer,
        titles.arranger,
        titles.rights,
        titles.numbers,
        notebook.assumed(bars),
        notebook.left_out(bars),
    )


def _with_metre(tune: Tune, text: Text, hints: Collection[Fraction], notebook: Notebook) -> Text:
    """The text with its metre, counted where it is not given; none where counting it out gives other lines."""
    metre = "" if text.metre else poetic_metre(tune, text)
    told = replace(text, metre=metre)
    if not metre or (metre_lines(metre) and find_lines(tune, told, hints) != tune.lines):
        return text
    notebook.assume(f"the metre is not given; counted as {metre} from the words")
    return told


def _notes(strand: Strand, bars: Sequence[Bar], notebook: Notebook) -> tuple[Note, ...]:
    notes = []
    for note in strand.notes:
        if note.pitch is None:
            continue
        if note.microtone:
            notebook.assume("a quarter tone is read as the nearest written note", note.bar, note.at, strand.name)
        if note.grace:
            notebook.leave_out("a grace note is kept on the page but not played", note.bar, note.at, strand.name)
        onset = bars[note.bar].onset + note.at
        notes.append(Note(onset, note.length, note.pitch, note.tie_start, note.grace, note.cue))
    return tuple(_tied(notes, bars, strand.name, notebook))


def _tied(notes: list[Note], bars: Sequence[Bar], who: str, notebook: Notebook) -> list[Note]:
    """Ties that reach a note of the same pitch; others are dropped and told."""
    full = [note for note in notes if not note.grace]
    after = dict(zip(map(id, full), [*full[1:], None], strict=True))
    kept = []
    for note in notes:
        following = after.get(id(note))
        if note.tied and (following is None or following.onset != note.end or following.pitch.midi != note.pitch.midi):
            index = next(i for i in range(len(bars) - 1, -1, -1) if bars[i].onset <= note.onset)
            notebook.leave_out("a tie leads to no note", index, note.onset - bars[index].onset, who)
            kept.append(replace(note, tied=False))
        else:
            kept.append(note)
    return kept


def _holds(strands: Sequence[Strand], bars: Sequence[Bar], tune: Voice) -> tuple[Fraction, ...]:
    """Onsets of tune notes under a fermata; another voice's fermata counts when the tune has none."""
    for strand in strands:
        places = [bars[note.bar].onset + note.at for note in strand.notes if note.fermata]
        places.extend(
            bars[index].end - Fraction(1, 1000)
            for index, bar in enumerate(strand.part.bars)
            for line in bar.barlines
            if line.fermata and index < len(bars)
        )
        held = {note.onset for place in places for note in _sounding_at(place, tune)}
        if held:
            return tuple(sorted(held))
    return ()


def _sounding_at(place: Fraction, tune: Voice) -> list[Note]:
    """The tune note that sounds at a place, if there is one."""
    end = bisect_right(tune.notes, place, key=lambda note: note.onset)
    return [note for note in tune.notes[max(0, end - 1) : end] if place < note.end]


def _breaths(strands: Sequence[Strand], bars: Sequence[Bar], tune: Voice) -> tuple[Fraction, ...]:
    ends = {note.end for note in tune.notes}
    for strand in strands:
        places = {bars[note.bar].onset + note.end for note in strand.notes if note.breath}
        if places & ends:
            return tuple(sorted(places & ends))
    return ()


def _times_through(route: Sequence[Passage], count: int) -> list[int]:
    """How often each bar is sung."""
    times = [0] * count
    for passage in route or (Passage(0, count - 1),):
        for bar in range(passage.first, passage.last + 1):
            times[bar] += 1
    return times


def _symbols(
    score: RawScore, strands: Sequence[Strand], bars: Sequence[Bar], notebook: Notebook, times: Sequence[int]
) -> tuple[Symbol, ...]:
    """The chord symbols of one part: the tune's, or the part that has most."""
    part = _symbol_part(score, strands)
    if part is None:
        return ()
    symbols: dict[tuple[Fraction, tuple[int, ...]], Symbol] = {}
    for index, bar in enumerate(part.bars[: len(bars)]):
        for harmony in bar.harmonies:
            symbol = _symbol(harmony, index, bars, notebook)
            if symbol is None:
                continue
            passes = harmony.passes if times[index] > 1 else ()
            passes = passes or _next_pass(symbols, symbol.onset, times[index])
            if passes:
                first = symbols.pop((symbol.onset, ()), None)
                if first is not None:
                    symbols[symbol.onset, (1,)] = replace(first, passes=(1,))
                    notebook.assume(
                        "of several chord symbols at one place each serves a time through", index, harmony.at
                    )
            if (symbol.onset, passes) in symbols and not passes:
                symbol = _spread(symbol, symbols, bars[index], strands[0], index, notebook)
            if (symbol.onset, passes) in symbols:
                notebook.leave_out("a second chord symbol at the same place", index, harmony.at)
            else:
                symbols[symbol.onset, passes] = replace(symbol, passes=passes)
    return tuple(symbols[place] for place in sorted(symbols))


def _spread(
    symbol: Symbol,
    symbols: dict[tuple[Fraction, tuple[int, ...]], Symbol],
    bar: Bar,
    tune: Strand,
    index: int,
    notebook: Notebook,
) -> Symbol:
    """A further symbol over one long note goes to the next free beat of that note."""
    onset = symbol.onset
    held = [note for note in tune.notes if note.bar == index and note.at <= onset - bar.onset < note.end]
    end = bar.onset + max((note.end for note in held), default=Fraction(0))
    while (onset, ()) in symbols and onset + bar.time.beat < end:
        onset += bar.time.beat
    if (onset, ()) in symbols:
        return symbol
    notebook.assume("several chord symbols over one note come on its beats", index, symbol.onset - bar.onset)
    return replace(symbol, onset=onset)


def _next_pass(symbols: dict[tuple[Fraction, tuple[int, ...]], Symbol], onset: Fraction, times: int) -> tuple[int, ...]:
    """Where as many symbols stand at a place as it is sung, the n-th serves the n-th time through."""
    here = sum(1 for place, _ in symbols if place == onset)
    return (here + 1,) if here and here < times else ()


def _symbol_part(score: RawScore, strands: Sequence[Strand]) -> RawPart | None:
    def count(part: RawPart) -> int:
        return sum(len(bar.harmonies) for bar in part.bars)

    if count(strands[0].part):
        return strands[0].part
    best = max(score.parts, key=count)
    return best if count(best) else None


def _symbol(harmony: RawHarmony, index: int, bars: Sequence[Bar], notebook: Notebook) -> Symbol | None:
    bar = bars[index]
    at = min(harmony.at, bar.length)
    onset = bar.onset + at
    if onset >= bars[-1].end:
        onset, at = bar.onset, Fraction(0)
        notebook.assume("a chord symbol after the last note is set at the beginning of the bar", index)
    root = str(harmony.root) if harmony.root is not None else ""
    slash = f"/{harmony.bass}" if harmony.bass is not None else ""
    printed = f"{root}{harmony.text}{slash}" if harmony.text else ""
    if harmony.kind == "none" or (harmony.root is None and harmony.text.upper().replace(".", "") in ("NC", "N C")):
        return Symbol(onset, NO_CHORD, harmony.text)
    if harmony.root is None:
        notebook.leave_out("a chord symbol without a root", index, at)
        return None
    if harmony.kind in KINDS and harmony.kind != "other":
        bass = None if harmony.bass == harmony.root else harmony.bass
        return Symbol(onset, Chord(harmony.root, harmony.kind, bass, harmony.degrees), printed)
    return Symbol(onset, _unknown(harmony, harmony.root, printed, index, at, notebook), printed)


def _unknown(harmony: RawHarmony, root: PitchName, printed: str, index: int, at: Fraction, notebook: Notebook) -> Chord:
    """A kind that is not in the table: what the page prints decides, if it can be understood."""
    if harmony.text:
        try:
            return parse_symbol(printed)
        except ValueError:
            pass
    text = printed or f"{root} ({harmony.kind[:20] or 'no kind'})"
    notebook.assume(f"the chord symbol {text} is not known and is kept as printed", index, at)
    return Chord(root, "other", harmony.bass, harmony.degrees, text)


def _mention(score: RawScore, strands: Sequence[Strand], notebook: Notebook) -> None:
    for strand in strands:
        for note in strand.notes:
            for ornament in note.ornaments:
                notebook.leave_out(f"an ornament ({ornament})", note.bar, note.at, strand.name)
    if any(one.dynamics for part in score.parts for bar in part.bars for one in bar.directions):
        notebook.leave_out("dynamics")

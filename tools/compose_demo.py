"""The demonstration hymns, as their composer wrote them down, and the pen that copies them to MusicXML.

Everything here is invented for Undersong: the parish of St Aldwyn, Thornmere, its people, its tunes, its words.
Run it to write the files anew; the same source gives the same bytes.

Conventions: a note is a letter with its sharp or flat (`#`, `b`), its octave (`c` is C3, `c'` C4, `c,` C2) and its
length (`4`, `4.`, `2`); `r` is a rest. After it may stand `(` and `)` for two notes to one syllable, `~` for a tie
and `;` for a breath. Chord symbols are written with their length: `D/F#:2`. A bar that is shorter than the time is
a pickup or the last bar that completes it. Words are one string a line, with hyphens inside words.

References: W3C MusicXML 4.0.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from lxml import etree

Element = etree._Element  # noqa: SLF001 - lxml publishes its element type under no other name

DIVISIONS = 4
RIGHTS = "Invented for Undersong's demonstration (CC0 1.0)."
PARISH = "St Aldwyn's, Thornmere (an invented parish)"
FOLDER = Path(__file__).resolve().parent.parent / "src" / "undersong" / "demo"

_NOTE = re.compile(r"(?P<step>[a-gr])(?P<sign>[#b]?)(?P<octave>'*|,*)(?P<length>\d+\.?)(?P<marks>[~();]*)")
_SYMBOL = re.compile(r"(?P<root>[A-G])(?P<sign>[#b]?)(?P<kind>[^/:]*)(?:/(?P<bass>[A-G][#b]?))?:(?P<length>\d+\.?)")
_TYPES = {
    Fraction(4): "whole", Fraction(2): "half", Fraction(1): "quarter", Fraction(1, 2): "eighth",
    Fraction(1, 4): "16th",
}  # fmt: skip
_KINDS = {
    "": "major", "m": "minor", "7": "dominant", "m7": "minor-seventh", "maj7": "major-seventh",
    "sus4": "suspended-fourth",
}  # fmt: skip
_ALTER = {"#": 1, "b": -1, "": 0}


@dataclass(frozen=True)
class Source:
    """One hymn on one sheet of paper.

    `voices` is soprano, alto, tenor, bass, or the melody alone. `metres` gives the time from a bar (counted from 0
    along the page) on. `verses` holds each verse's lines; with `endings` the first `repeated` lines are sung the
    first and second time through the repeated bars. `refrain` stands under the first verse's line only.
    """

    file: str
    title: str
    tune: str
    metre: str
    author: str
    composer: str
    fifths: int
    times: dict[int, str]
    beat: str
    pace: int
    voices: tuple[str, ...]
    verses: tuple[tuple[str, ...], ...]
    mode: str = "major"
    symbols: str = ""
    refrain: tuple[str, ...] = ()
    open_score: bool = False
    doubles: tuple[int, ...] = ()
    endings: tuple[int, int] = (-1, -1)
    repeated: int = 0
    systems: tuple[int, ...] = ()


@dataclass
class Note:
    """A written note: `step` is empty for a rest."""

    step: str
    alter: int
    octave: int
    length: Fraction
    marks: str
    bar: int = 0
    at: Fraction = Fraction(0)
    tie_stop: bool = False
    slurred: bool = False
    beams: str = ""
    accidental: str = ""
    lyrics: list[Lyric] = field(default_factory=list)

    @property
    def sung(self) -> bool:
        """True where a new syllable may begin."""
        return bool(self.step) and not self.tie_stop and not self.slurred


@dataclass(frozen=True)
class Lyric:
    """A syllable under a note: the printed line it stands in, and the time through."""

    line: int
    text: str
    syllabic: str
    extend: bool
    name: str
    times: int


# -- the six hymns and the tune alone ------------------------------------------------------------

THORNMERE = Source(
    file="01-water-waking-in-the-hollow",
    title="Water waking in the hollow",
    tune="THORNMERE",
    metre="8.7.8.7",
    author="Hester Varrowby (invented)",
    composer="Ambrose Quillane (invented)",
    fifths=-1,
    times={0: "3/4"},
    beat="quarter",
    pace=96,
    voices=(
        (
            "f'2 g'4 | a'2 f'4 | g'4.( a'8) bb'4 | a'2 g'4; | a'2 bb'4 | c''2 a'4 | g'2 a'4 | g'2.; |"
            "c''2 bb'4 | a'2 c''4 | d''2 c''4 | bb'2 g'4; | a'2 f'4 | bb'2 a'4 | g'2 e'4 | f'2. |"
        ),
        (
            "c'2 c'4 | c'2 d'4 | d'2 g'4 | f'2 e'4 | f'2 f'4 | f'4 e'4 d'4 | d'2 f'4~ | f'2 e'4 |"
            "f'2 g'4 | f'2 f'4 | f'2 f'4 | f'2 e'4 | f'2 d'4 | d'2 f'4~ | f'4 e'4 c'4 | c'2. |"
        ),
        (
            "a2 bb4 | a2 a4 | bb2 c'4 | c'2 c'4 | c'2 d'4 | c'2 c'4 | bb2 c'4 | c'2. |"
            "c'2 c'4 | c'2 a4 | bb2 c'4 | d'2 c'4 | c'2 a4 | g2 c'4 | c'2 bb4 | a2. |"
        ),
        (
            "f2 e4 | f2 d4 | g,2 e4 | f2 c4 | f2 bb,4 | a,4 g,4 f#,4 | g,2 f,4 | c2. |"
            "a,2 e4 | f2 eb4 | d2 a,4 | bb,2 c4 | f4 e4 d4 | g,2 f,4 | c2 c4 | f,2. |"
        ),
    ),
    verses=(
        (
            "Wa-ter wak-ing in the hol-low,",
            "Light a-long the lev-el fen,",
            "Wren and reed and ris-ing swal-low",
            "Praise the Ma-ker once a-gain.",
        ),
        (
            "He who set the stars to num-ber",
            "Counts the spar-row’s bro-ken wing;",
            "Through the win-ter’s heav-y slum-ber",
            "Keeps in seed the com-ing spring.",
        ),
        (
            "Christ, who called be-side the wa-ter",
            "Those whose nets were torn and bare,",
            "Call us, ev-ery son and daugh-ter,",
            "Out to deep-er work and prayer.",
        ),
        (
            "Breath of God, on all things blow-ing,",
            "Stir the still and heal the sore,",
            "Till the tide of mer-cy flow-ing",
            "Lifts us to the far-ther shore.",
        ),
    ),
    systems=(8,),
)

LARKSHAW = Source(
    file="02-we-bring-the-bread-of-barley",
    title="We bring the bread of barley",
    tune="LARKSHAW",
    metre="7.6.7.6 D",
    author="Hester Varrowby (invented)",
    composer="Tobias Merrowden (invented)",
    fifths=2,
    times={0: "4/4"},
    beat="quarter",
    pace=104,
    voices=(
        (
            "a4 | d'4 e'4 f#'4 g'4 | a'2 f#'4; f#'4 | g'4 f#'4 e'4 d'4 | e'2.; a4 |"
            "d'4 e'4 f#'4 g'4 | a'2 b'4; a'4 | g'4 f#'4 e'4 c#'4 | d'2.; a'4 |"
            "b'4. a'8 g'4 b'4 | a'2 f#'4; f#'4 | g'4 a'4 b'4 g'4 | a'2.; a'4 |"
            "d''4. c#''8 b'4 g'4 | a'2 f#'4; g'4 | f#'4 d'4 e'4 e'4 | d'2. |"
        ),
    ),
    symbols=(
        "D:4 | D:2 Bm7:2 | D/A:2 D/F#:2 | G:2 Em7:2 | A:2 A/G:2 | D/F#:2 Bm:2 | F#m:2 G:2 | Em7:2 A7:2 | D:2 D/C:2 |"
        "G/B:2 Em:2 | D/A:2 Bm:2 | Em:2 Em/D:2 | A/C#:2 A7:2 | D:2 G/B:2 | D/A:2 Bm:4 Em7:4 | D/A:2 A7:2 | D:2. |"
    ),
    verses=(
        (
            "We bring the bread of bar-ley,",
            "The hon-ey and the hay,",
            "The rain that came too ear-ly,",
            "The sun that would not stay;",
            "For ev-ery field that flour-ished,",
            "For ev-ery bar-ren row,",
            "We thank you, who have nour-ished",
            "Far more than we can know.",
        ),
        (
            "We bring the work of mak-ing,",
            "The nee-dle and the plough,",
            "The loaves for ear-ly bak-ing,",
            "The sweat up-on the brow;",
            "The let-ter to a stran-ger,",
            "The door left off the chain,",
            "The lamp held out in dan-ger,",
            "The song that eased the pain.",
        ),
        (
            "We bring the things we bor-row:",
            "The riv-er and the air,",
            "The chil-dren of to-mor-row",
            "En-trust-ed to our care;",
            "O teach us to be ten-der",
            "With all that we have known,",
            "And glad-ly to sur-ren-der",
            "What nev-er was our own.",
        ),
        (
            "Now take our scat-tered glean-ing",
            "And bind it in your sheaf;",
            "Give bro-ken la-bour mean-ing,",
            "Give glad-ness to our grief;",
            "Till all the earth is gath-ered",
            "With-in one o-pen door,",
            "And those whom storms have weath-ered",
            "Are guests for ev-er-more.",
        ),
    ),
    systems=(5, 9, 13),
)

DROVERS_LAW = Source(
    file="03-the-road-goes-over-heath-and-stone",
    title="The road goes over heath and stone",
    tune="DROVER’S LAW",
    metre="8.6.8.6.8.6",
    author="Ruth Oskery (invented)",
    composer="Tobias Merrowden (invented)",
    fifths=0,
    mode="dorian",
    times={0: "6/8"},
    beat="quarter.",
    pace=58,
    voices=(
        (
            "a8 | d'4 e'8 f'4 g'8 | a'4 b'8 a'4; a'8 | g'4 e'8 f'4 d'8 | c'4.~ c'4; c'8 |"
            "d'4 e'8 f'4 g'8 | a'4 b'8 c''4; a'8 | g'4 e'8 f'4 g'8 | a'4.~ a'4; a'8 |"
            "d''4 c''8 b'4 a'8 | g'4 b'8 a'4; g'8 | f'4 g'8 e'4 c'8 | d'4.~ d'4 |"
        ),
    ),
    symbols=(
        "Dm:8 | Dm:4. F:4. | Am:4. F/A:4. | C/E:4. Dm:4. | Am/C:4. C:4. |"
        "Dm:4. Dm/F:4. | Am:4. F/A:4. | C/G:4. Dm/F:4. | Am/E:4. Am:4. |"
        "Dm:4. G/B:4. | Em:4. Am/C:4. | Dm:4. Am:4. | Dm:4. |"
    ),
    verses=(
        (
            "The road goes o-ver heath and stone,",
            "By ford and fall-en tree;",
            "And man-y feet have walked a-lone",
            "Who longed for com-pa-ny;",
            "Yet One un-seen has al-ways known",
            "The way a-head of me.",
        ),
        (
            "He sat be-side the well at noon",
            "And asked a cup to drink;",
            "He slept be-neath the har-vest moon",
            "Up-on the wa-ter’s brink;",
            "He heard the sail-ors’ bro-ken tune",
            "And would not let them sink.",
        ),
        (
            "When eve-ning folds the nar-row lane",
            "And all the birds are still,",
            "I need not fear the wind and rain",
            "That gath-er on the hill:",
            "For morn-ing waits be-yond the pain,",
            "And love will have its will.",
        ),
    ),
    systems=(5, 9),
)

NINE_SPRINGS = Source(
    file="04-deep-before-the-first-of-days",
    title="Deep before the first of days",
    tune="NINE SPRINGS",
    metre="7.7.7.7 with refrain",
    author="Hester Varrowby (invented)",
    composer="Leonora Fenwith (invented)",
    fifths=1,
    times={0: "4/4", 8: "3/4"},
    beat="quarter",
    pace=92,
    open_score=True,
    voices=(
        (
            "d'4 g'4 g'4 a'4 | b'4 a'4 b'2; | b'4 a'4 g'4 e'4 | f#'4 g'4 a'2; |"
            "g'4 a'4 b'4 g'4 | c''4 b'4 a'2; | b'4 g'4 e'4 a'4 | g'4 f#'4 g'2; |"
            "b'4 a'4 g'4 | c''4 b'4 a'4 | b'4 a'4 g'4 | a'2.; | d''4 c''4 b'4 | c''4 b'4 a'4 | g'4 a'4 f#'4 | g'2. |"
        ),
        (
            "b4 d'4 b4 d'4 | d'4 d'4 d'2 | e'4 e'4 e'4 e'4 | d'4 d'4 d'2 |"
            "b4 c'4 b4 b4 | c'4 d'4 d'2 | d'4 d'4 c'4 c'4 | b4 c'4 b2 |"
            "d'2 e'4 | e'2 f#'4 | g'2 g'4~ | g'4 f#'2 | g'2 e'4 | e'2 e'4 | d'2 d'4 | d'2. |"
        ),
        (
            "g4 g4 g4 f#4 | g4 a4 g2 | g4 a4 b4 a4 | a4 g4~ g4 f#4 |"
            "g4 e4 g4 g4 | g4 g4 f#2 | g4 g4 g4 e4 | g4 a4 g2 |"
            "g2 b4 | a2 d'4 | d'2 d'4 | e'4 d'2 | d'2 d'4 | c'2 c'4 | b4 c'4 c'4 | b2. |"
        ),
        (
            "g,4 b,4 e4 d4 | g,4 f#,4 g,2 | e4 c4 e4 c#4 | d4 b,4 d2 |"
            "e4 a,4 e4 d4 | e4 b,4 d2 | g,4 b,4 c4 c4 | d4 d4 g,2 |"
            "g,2 e4 | c2 d4 | g,2 b,4 | c#4 d4 c4 | b,2 g#,4 | a,2 c4 | d2 d4 | g,2. |"
        ),
    ),
    verses=(
        (
            "Deep be-fore the first of days,",
            "Dark be-fore the ear-ly bird,",
            "Came a breath a-cross the haze,",
            "Came the qui-et of a word.",
        ),
        (
            "Word in flesh and swad-dling bound,",
            "Cry-ing on a bed of straw:",
            "Shep-herds kneel-ing on the ground",
            "Heard what all the proph-ets saw.",
        ),
        (
            "Word in bread and cup and name,",
            "Word in all that hands can mend,",
            "Burn-ing like a hid-den flame,",
            "Speak, and speak us to the end.",
        ),
    ),
    refrain=(
        "Sing, all you val-leys, and an-swer, you hills:",
        "Love is the word that the si-lence ful-fils.",
    ),
    doubles=(7,),
    systems=(4, 8, 12),
)

LATCH_AND_LANTERN = Source(
    file="05-now-the-lamps-are-lighted",
    title="Now the lamps are lighted",
    tune="LATCH AND LANTERN",
    metre="6.5.6.5 D",
    author="Ruth Oskery (invented)",
    composer="Ambrose Quillane (invented)",
    fifths=1,
    times={0: "4/4"},
    beat="quarter",
    pace=100,
    voices=(
        (
            "d'4 g'4 a'4 b'4 | a'2 g'2; | e'4 g'4 a'4 g'4 | a'1; | g'1; |"
            "g'4 a'4 b'4 g'4 | c''2 b'2; | b'4 a'4 g'4 f#'4 | e'1; |"
            "b'4 c''4 d''4 b'4 | c''2 a'2; | g'4 a'4 e'4 f#'4 | g'1 |"
        ),
    ),
    symbols=(
        "G:2 G/B:2 | Am/C:2 Em:2 | C:2 C/D:2 | D:1 | G:1 |"
        "Em:2 G/D:2 | C:2 G/B:2 | G:2 D/F#:2 | Em:1 |"
        "G:2 G/B:2 | C:2 D/F#:2 | Em:2 Am7:4 D7:4 | G:1 |"
    ),
    verses=(
        (
            "Now the lamps are light-ed,",
            "Now the ploughs are still,",
            "Bird and beast u-nit-ed",
            "Sleep be-neath the hill;",
            "You who nev-er slum-ber,",
            "Shep-herd of the dark,",
            "Ev-ery star you num-ber,",
            "Ev-ery fail-ing spark.",
        ),
        (
            "Those who watch till morn-ing",
            "By a bed of pain,",
            "Those who heed no warn-ing",
            "In the wind and rain,",
            "Those whose wells are bit-ter,",
            "Those whose friends are few:",
            "Where the cold stars glit-ter",
            "Draw them home to you.",
        ),
        (
            "When our day is end-ed",
            "And the door is barred,",
            "All that was not mend-ed,",
            "All that sin has marred,",
            "Fold in your for-giv-ing",
            "Till the night is past;",
            "Bring us to the liv-ing",
            "Morn-ing at the last.",
        ),
    ),
    endings=(3, 4),
    repeated=4,
    systems=(5, 9),
)

ST_ALDWYN = Source(
    file="06-a-lantern-at-the-rivers-bend",
    title="A lantern at the river’s bend",
    tune="ST ALDWYN",
    metre="CM",
    author="Hester Varrowby (invented)",
    composer="Leonora Fenwith (invented)",
    fifths=-3,
    times={0: "4/4"},
    beat="quarter",
    pace=88,
    voices=(
        (
            "eb'4 | g'4 f'4 g'4 ab'4 | bb'4 c''4 bb'4; bb'4 | c''4 bb'4 ab'4 g'4 | f'2.; g'4 |"
            "ab'4 g'4 ab'4 bb'4 | c''4 d''4 eb''4; bb'4 | c''4 ab'4 g'4 f'4 | eb'2. |"
        ),
        (
            "bb4 | eb'4 d'4 eb'4 eb'4 | eb'4 eb'4 eb'4 eb'4 | eb'4 d'4 f'4 eb'4~ | eb'4 d'2 eb'4 |"
            "eb'4 eb'4 eb'4 f'4 | eb'4 f'4 eb'4 eb'4 | g'4 f'4 eb'4 d'4 | eb'2. |"
        ),
        (
            "g4 | bb4 bb4 bb4 ab4 | g4 ab4 bb4 g4 | g4 bb4 c'4 bb4 | a4 bb2 bb4 |"
            "c'4 bb4 ab4 ab4 | g4 ab4 g4 g4 | c'4 c'4 bb4 ab4~ | ab4 g2 |"
        ),
        (
            "eb4 | eb4 bb,4 eb4 c4 | eb4 ab,4 g,4 eb4 | c4 g,4 ab,4 c4 | f,4 bb,2 eb4 |"
            "ab,4 bb,4 c4 d4 | eb4 bb,4 c4 eb4 | e4 f4 bb,4 bb,4 | eb2. |"
        ),
    ),
    verses=(
        (
            "A lan-tern at the riv-er’s bend,",
            "A door with-out a key,",
            "Where stran-ger meets with part-ed friend:",
            "Such let your house-hold be.",
        ),
        (
            "A ta-ble spread with com-mon things,",
            "The cup that all may share,",
            "And o-ver it the brush of wings,",
            "The stir-ring of the air.",
        ),
        (
            "No stone so worn, no voice so cracked",
            "But finds its place and part;",
            "You mend with mer-cy what we lacked",
            "And build us, heart by heart.",
        ),
        (
            "The names we loved are writ-ten here",
            "In wood and wind and rain;",
            "Though we for-get them, year by year",
            "You call them each a-gain.",
        ),
        (
            "So keep the lan-tern trimmed and bright,",
            "The hin-ges free of rust,",
            "Till all who wan-der in the night",
            "Come home to One they trust.",
        ),
    ),
    systems=(5,),
)

WRENSTOW = Source(
    file="07-small-as-the-wren",
    title="Small as the wren that sings in the rain",
    tune="WRENSTOW",
    metre="9.9.9.9",
    author="Ruth Oskery (invented)",
    composer="Tobias Merrowden (invented)",
    fifths=-1,
    times={0: "3/4"},
    beat="quarter",
    pace=108,
    voices=(
        (
            "c'4 d'4 f'4 | g'2 a'4 | g'4 f'4 d'4 | c'2.; | d'4 f'4 g'4 | a'2 c''4 | a'4 g'4 f'4 | g'2.; |"
            "a'4 c''4 c''4 | d''2 c''4 | a'4 g'4 f'4 | d'2.; | c'4 d'4 f'4 | a'2 g'4 | f'4 d'4 c'4 | f'2. |"
        ),
    ),
    verses=(
        (
            "Small as the wren that sings in the rain,",
            "Small as the seed that sleeps in the grain,",
            "Great is the love that gath-ers them in,",
            "Great-er than grief and strong-er than sin.",
        ),
        (
            "Slow as the thaw that loos-ens the stream,",
            "Slow as the light that wakes us from dream,",
            "Sure is the hand that o-pens the year,",
            "Sure as the song the si-lent will hear.",
        ),
    ),
    systems=(8,),
)

HYMNS: tuple[Source, ...] = (
    THORNMERE,
    LARKSHAW,
    DROVERS_LAW,
    NINE_SPRINGS,
    LATCH_AND_LANTERN,
    ST_ALDWYN,
    WRENSTOW,
)


# -- reading the paper ---------------------------------------------------------------------------


def length_of(text: str) -> Fraction:
    """Quarter notes of `4`, `2.`."""
    plain = Fraction(4, int(text.rstrip(".")))
    return plain * Fraction(3, 2) if text.endswith(".") else plain


def read_voice(text: str) -> list[list[Note]]:
    """The notes of a voice, bar by bar."""
    bars: list[list[Note]] = []
    tied = slurred = False
    for index, bar in enumerate(one for one in text.split("|") if one.strip()):
        notes, at = [], Fraction(0)
        for token in bar.split():
            found = _NOTE.fullmatch(token)
            if not found:
                raise ValueError(f"{token!r} is not a note")
            octave = 3 + found["octave"].count("'") - found["octave"].count(",")
            step = "" if found["step"] == "r" else found["step"].upper()
            note = Note(step, _ALTER[found["sign"]], octave, length_of(found["length"]), found["marks"], index, at)
            note.tie_stop, tied = tied, "~" in note.marks
            note.slurred = slurred
            slurred = "(" in note.marks or (slurred and ")" not in note.marks)
            at += note.length
            notes.append(note)
        bars.append(notes)
    return bars


def time_at(source: Source, bar: int) -> tuple[int, int]:
    """Beats and unit of a bar."""
    above, below = source.times[max(one for one in source.times if one <= bar)].split("/")
    return int(above), int(below)


def check_bars(source: Source, voices: list[list[list[Note]]]) -> None:
    """Every bar full, but for a pickup and the last bar that completes it; all voices alike."""
    lengths = [[sum((note.length for note in bar), Fraction(0)) for bar in voice] for voice in voices]
    if any(one != lengths[0] for one in lengths):
        raise ValueError(f"{source.file}: the voices differ in length")
    full = [Fraction(4 * above, below) for above, below in (time_at(source, bar) for bar in range(len(lengths[0])))]
    short = [bar for bar, length in enumerate(lengths[0]) if length != full[bar]]
    if short and (short != [0, len(full) - 1] or lengths[0][0] + lengths[0][-1] != full[0]):
        raise ValueError(f"{source.file}: bars {short} are not full")


def place_words(source: Source, melody: list[list[Note]]) -> None:
    """Give each sung note its syllables."""
    first, second = source.endings
    notes = [note for bar in melody for note in bar if note.sung]
    refrain_words = syllables(source.refrain)
    if first < 0:
        plain = notes[: len(notes) - len(refrain_words)]
        for number, verse in enumerate(source.verses, 1):
            lay(source, plain, syllables(verse), number, f"verse {number}", 0, melody)
        lay(source, notes[len(plain) :], refrain_words, 1, "refrain", 0, melody)
        return
    once = [note for note in notes if note.bar <= first]
    again = [note for note in notes if note.bar < first or note.bar == second]
    after = [note for note in notes if note.bar > second]
    half = source.repeated // 2
    for number, verse in enumerate(source.verses, 1):
        line = 2 * number - 1
        lay(source, once, syllables(verse[:half]), line, f"verse {number}", 1, melody)
        lay(
            source, again, syllables(verse[half : source.repeated]), line + 1, f"verse {number}, second time", 2, melody
        )
        lay(source, after, syllables(verse[source.repeated :]), line, f"verse {number}", 0, melody)


def syllables(lines: tuple[str, ...]) -> list[tuple[str, str]]:
    """Text and syllabic of each syllable."""
    found = []
    for word in " ".join(lines).split():
        parts = word.split("-")
        for index, part in enumerate(parts):
            last = index == len(parts) - 1
            kind = "single" if len(parts) == 1 else "begin" if index == 0 else "end" if last else "middle"
            found.append((part, kind))
    return found


def lay(
    source: Source,
    notes: list[Note],
    words: list[tuple[str, str]],
    line: int,
    name: str,
    times: int,
    melody: list[list[Note]],
) -> None:
    """Lay words under notes, one syllable to a note."""
    if len(notes) != len(words):
        raise ValueError(f"{source.file}, {name}: {len(words)} syllables for {len(notes)} notes")
    flat = [note for bar in melody for note in bar]
    for note, (text, syllabic) in zip(notes, words, strict=True):
        place = next(index for index, one in enumerate(flat) if one is note)
        held = place + 1 < len(flat) and flat[place + 1].step != "" and not flat[place + 1].sung
        note.lyrics.append(Lyric(line, text, syllabic, held and syllabic in ("single", "end"), name, times))


def set_accidentals(staff: list[list[list[Note]]], fifths: int) -> None:
    """Printed accidentals of the voices that share a staff: what departs from the signature or the bar before."""
    order = "FCGDAEB"
    signature = dict.fromkeys(order, 0)
    for index in range(abs(fifths)):
        signature[order[index] if fifths > 0 else order[-1 - index]] = 1 if fifths > 0 else -1
    before: dict[tuple[str, int], int] = {}
    for bar in range(len(staff[0])):
        here: dict[tuple[str, int], int] = {}
        notes = sorted((note for voice in staff for note in voice[bar] if note.step), key=lambda note: note.at)
        for note in notes:
            place = (note.step, note.octave)
            expected = here.get(place, signature[note.step])
            warned = place not in here and before.get(place, note.alter) != note.alter
            if note.tie_stop:
                continue
            if note.alter != expected or warned:
                note.accidental = {1: "sharp", 0: "natural", -1: "flat"}[note.alter]
            here[place] = note.alter
        before = here


def set_beams(voice: list[list[Note]], source: Source) -> None:
    """Join quavers that share a beat."""
    for index, bar in enumerate(voice):
        above, below = time_at(source, index)
        beat = Fraction(12, below) if above > 3 and above % 3 == 0 else Fraction(4, below)
        shift = (
            Fraction(4 * above, below) - sum((note.length for note in bar), Fraction(0)) if index == 0 else Fraction(0)
        )
        groups: dict[int, list[Note]] = {}
        for note in bar:
            if note.step and note.length < 1:
                groups.setdefault((note.at + shift) // beat, []).append(note)
        for group in groups.values():
            for place, note in enumerate(group if len(group) > 1 else []):
                note.beams = "begin" if place == 0 else "end" if place == len(group) - 1 else "continue"


# -- writing MusicXML ----------------------------------------------------------------------------


def add(parent: Element, tag: str, text: object = None, /, **attributes: object) -> Element:
    """A child with text and attributes (`_` for `-`)."""
    child = etree.SubElement(parent, tag)
    for name, value in attributes.items():
        child.set(name.replace("_", "-"), str(value))
    if text is not None:
        child.text = str(text)
    return child


@dataclass(frozen=True)
class Staff:
    """Voices printed on one staff of a part, with its clef."""

    voices: tuple[int, ...]
    clef: str


@dataclass(frozen=True)
class Part:
    """A printed part: its names and its staves."""

    name: str
    short: str
    staves: tuple[Staff, ...]


def parts_of(source: Source) -> tuple[Part, ...]:
    """Closed score, open score, or the melody."""
    if len(source.voices) == 1:
        return (Part("Melody", "", (Staff((0,), "G"),)),)
    if source.open_score:
        rows = (("Soprano", "S", "G"), ("Alto", "A", "G"), ("Tenor", "T", "G8"), ("Bass", "B", "F"))
        return tuple(Part(name, short, (Staff((index,), clef),)) for index, (name, short, clef) in enumerate(rows))
    return (Part("Hymn", "", (Staff((0, 1), "G"), Staff((2, 3), "F"))),)


def compose(source: Source) -> bytes:
    """The MusicXML of one hymn."""
    voices = [read_voice(text) for text in source.voices]
    check_bars(source, voices)
    place_words(source, voices[0])
    parts = parts_of(source)
    for voice in voices:
        set_beams(voice, source)
    for part in parts:
        for staff in part.staves:
            set_accidentals([voices[index] for index in staff.voices], source.fifths)
    root = etree.Element("score-partwise", version="4.0")
    add_heading(root, source)
    add_part_list(root, parts)
    for number, part in enumerate(parts, 1):
        element = add(root, "part", id=f"P{number}")
        for bar in range(len(voices[0])):
            add_bar(element, source, part, voices, bar, first=number == 1)
    etree.indent(root, " ")
    doctype = (
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">'
    )
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8", doctype=doctype) + b"\n"


def add_heading(root: Element, source: Source) -> None:
    """Title, people, rights and the fields of a hymn-book."""
    add(add(root, "work"), "work-title", source.title)
    add(root, "movement-title", source.title)
    about = add(root, "identification")
    add(about, "creator", source.author, type="lyricist")
    add(about, "creator", source.composer, type="composer")
    add(about, "rights", RIGHTS)
    add(add(about, "encoding"), "software", "Undersong, tools/compose_demo.py")
    fields = add(about, "miscellaneous")
    for name, value in (("tune-name", source.tune), ("metre", source.metre), ("source", PARISH)):
        add(fields, "miscellaneous-field", value, name=name)


def add_part_list(root: Element, parts: tuple[Part, ...]) -> None:
    """Names of the parts, bracketed in open score."""
    listed = add(root, "part-list")
    if len(parts) > 1:
        add(add(listed, "part-group", number=1, type="start"), "group-symbol", "bracket")
    for number, part in enumerate(parts, 1):
        entry = add(listed, "score-part", id=f"P{number}")
        name = add(entry, "part-name", part.name)
        if not part.short:
            name.set("print-object", "no")
        else:
            add(entry, "part-abbreviation", part.short)
    if len(parts) > 1:
        add(listed, "part-group", number=1, type="stop")


def add_bar(
    element: Element, source: Source, part: Part, voices: list[list[list[Note]]], bar: int, *, first: bool
) -> None:
    """One measure of one part."""
    length = sum((note.length for note in voices[0][bar]), Fraction(0))
    above, below = time_at(source, 0)
    pickup = sum((note.length for note in voices[0][0]), Fraction(0)) < Fraction(4 * above, below)
    number = bar if pickup else bar + 1
    measure = add(element, "measure", number=number)
    if pickup and bar == 0:
        measure.set("implicit", "yes")
    if first and bar in source.systems:
        add(measure, "print", new_system="yes")
    add_left_barline(measure, source, bar)
    add_attributes(measure, source, part, bar)
    if first and bar == 0:
        add_pace(measure, source)
    symbols = symbols_of(source, bar) if first else []
    count = 0
    for staff_number, staff in enumerate(part.staves, 1):
        for place, index in enumerate(staff.voices):
            if count:
                add(add(measure, "backup"), "duration", int(length * DIVISIONS))
            count += 1
            stem = ("up", "down")[place] if len(staff.voices) > 1 else ""
            for note in voices[index][bar]:
                for symbol in [one for one in symbols if note.at <= one[0] < note.at + note.length]:
                    add_symbol(measure, symbol[1], symbol[0] - note.at)
                add_note(measure, note, count, staff_number if len(part.staves) > 1 else 0, stem, staff.clef)
            symbols = []
    add_right_barline(measure, source, bar, last=bar == len(voices[0]) - 1)


def add_left_barline(measure: Element, source: Source, bar: int) -> None:
    """Forward repeat at the start, and the beginning of an ending."""
    first, second = source.endings
    if first >= 0 and bar == 0:
        line = add(measure, "barline", location="left")
        add(line, "bar-style", "heavy-light")
        add(line, "repeat", direction="forward")
    if first >= 0 and bar in (first, second):
        line = add(measure, "barline", location="left")
        which = 1 if bar == first else 2
        add(line, "ending", f"{which}.", number=which, type="start")


def add_right_barline(measure: Element, source: Source, bar: int, *, last: bool) -> None:
    """Backward repeat, end of an ending, double bar, final bar."""
    first, second = source.endings
    if first >= 0 and bar == first:
        line = add(measure, "barline", location="right")
        add(line, "bar-style", "light-heavy")
        add(line, "ending", number=1, type="stop")
        add(line, "repeat", direction="backward")
    elif first >= 0 and bar == second:
        line = add(measure, "barline", location="right")
        add(line, "bar-style", "light-light")
        add(line, "ending", number=2, type="stop")
    elif bar in source.doubles or last:
        line = add(measure, "barline", location="right")
        add(line, "bar-style", "light-heavy" if last else "light-light")


def add_attributes(measure: Element, source: Source, part: Part, bar: int) -> None:
    """Key, time and clefs at the start; a new time where it changes."""
    if bar not in source.times:
        return
    attributes = add(measure, "attributes")
    if bar == 0:
        add(attributes, "divisions", DIVISIONS)
        key = add(attributes, "key")
        add(key, "fifths", source.fifths)
        add(key, "mode", source.mode)
    above, below = time_at(source, bar)
    time = add(attributes, "time")
    add(time, "beats", above)
    add(time, "beat-type", below)
    if bar == 0:
        if len(part.staves) > 1:
            add(attributes, "staves", len(part.staves))
        for number, staff in enumerate(part.staves, 1):
            clef = add(attributes, "clef")
            if len(part.staves) > 1:
                clef.set("number", str(number))
            add(clef, "sign", staff.clef[0])
            add(clef, "line", 2 if staff.clef[0] == "G" else 4)
            if staff.clef == "G8":
                add(clef, "clef-octave-change", -1)


def add_pace(measure: Element, source: Source) -> None:
    """The metronome mark and the same for players of sound."""
    direction = add(measure, "direction", placement="above")
    mark = add(add(direction, "direction-type"), "metronome")
    plain = source.beat.rstrip(".")
    add(mark, "beat-unit", plain)
    if source.beat.endswith("."):
        add(mark, "beat-unit-dot")
    add(mark, "per-minute", source.pace)
    quarters = {"quarter": Fraction(1), "quarter.": Fraction(3, 2), "half": Fraction(2)}[source.beat] * source.pace
    add(direction, "sound", tempo=int(quarters) if quarters.denominator == 1 else float(quarters))


def symbols_of(source: Source, bar: int) -> list[tuple[Fraction, re.Match[str]]]:
    """The chord symbols of a bar with their places."""
    bars = [one for one in source.symbols.split("|") if one.strip()]
    found, at = [], Fraction(0)
    for token in bars[bar].split() if bars else []:
        match = _SYMBOL.fullmatch(token)
        if not match:
            raise ValueError(f"{token!r} is not a chord symbol")
        found.append((at, match))
        at += length_of(match["length"])
    return found


def add_symbol(measure: Element, symbol: re.Match[str], offset: Fraction) -> None:
    """One chord symbol, placed into the note it stands over."""
    harmony = add(measure, "harmony", print_frame="no")
    root = add(harmony, "root")
    add(root, "root-step", symbol["root"])
    if symbol["sign"]:
        add(root, "root-alter", _ALTER[symbol["sign"]])
    add(harmony, "kind", _KINDS[symbol["kind"]], text=symbol["kind"])
    if symbol["bass"]:
        bass = add(harmony, "bass")
        add(bass, "bass-step", symbol["bass"][0])
        if symbol["bass"][1:]:
            add(bass, "bass-alter", _ALTER[symbol["bass"][1:]])
    if offset:
        add(harmony, "offset", int(offset * DIVISIONS), sound="yes")


def add_note(measure: Element, note: Note, voice: int, staff: int, stem: str, clef: str) -> None:
    """One note or rest in the order of the schema."""
    element = add(measure, "note")
    if note.step:
        pitch = add(element, "pitch")
        add(pitch, "step", note.step)
        if note.alter:
            add(pitch, "alter", note.alter)
        add(pitch, "octave", note.octave)
    else:
        add(element, "rest")
    add(element, "duration", int(note.length * DIVISIONS))
    if note.tie_stop:
        add(element, "tie", type="stop")
    if "~" in note.marks:
        add(element, "tie", type="start")
    add(element, "voice", voice)
    dotted = note.length not in _TYPES
    add(element, "type", _TYPES[note.length * Fraction(2, 3) if dotted else note.length])
    if dotted:
        add(element, "dot")
    if note.accidental:
        add(element, "accidental", note.accidental)
    if note.step and note.length < 4:
        add(element, "stem", stem or stem_of(note, clef))
    if staff:
        add(element, "staff", staff)
    if note.beams:
        add(element, "beam", note.beams, number=1)
    add_notations(element, note, stem)
    for lyric in note.lyrics:
        added = add(element, "lyric", number=lyric.line, name=lyric.name)
        if lyric.times:
            added.set("time-only", str(lyric.times))
        add(added, "syllabic", lyric.syllabic)
        add(added, "text", lyric.text)
        if lyric.extend:
            add(added, "extend")


def stem_of(note: Note, clef: str) -> str:
    """Stem by the middle line: B4 in the treble, B3 in the tenor's, D3 in the bass."""
    middle = {"G": ("B", 4), "G8": ("B", 3), "F": ("D", 3)}[clef]
    place = 7 * note.octave + "CDEFGAB".index(note.step)
    return "up" if place < 7 * middle[1] + "CDEFGAB".index(middle[0]) else "down"


def add_notations(element: Element, note: Note, stem: str) -> None:
    """Ties, slurs and breaths."""
    if not note.tie_stop and not set(note.marks) & set("~();"):
        return
    notations = add(element, "notations")
    side = {"up": "over", "down": "under"}.get(stem, "")
    if note.tie_stop:
        add(notations, "tied", type="stop")
    if "~" in note.marks:
        tied = add(notations, "tied", type="start")
        if side:
            tied.set("orientation", side)
    if ")" in note.marks:
        add(notations, "slur", type="stop", number=1)
    if "(" in note.marks:
        slur = add(notations, "slur", type="start", number=1)
        if stem:
            slur.set("placement", "above" if stem == "up" else "below")
    if ";" in note.marks:
        add(add(notations, "articulations"), "breath-mark", "comma")


def main(folder: Path = FOLDER) -> None:
    """Write every hymn."""
    for source in HYMNS:
        (folder / f"{source.file}.musicxml").write_bytes(compose(source))


if __name__ == "__main__":
    main(*(Path(one) for one in sys.argv[1:2]))

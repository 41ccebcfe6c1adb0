"""Small invented pages of MusicXML from a compact notation, for tests of reading.

A part is a string of bars divided by `|`. In a bar stand notes `C5:1` (pitch or `r`, length in quarter notes),
chords `C5+A4:1`, and signs in round brackets. After a length: `~` a tie begins, `^` a fermata, `'` a breath mark,
`c` a small note, `h` a hidden rest, `m` a rest for the whole bar. `g` as length is a grace note. `&` begins the next
voice of the staff, `&&` the next staff.

Signs: `(time=3/4)`, `(key=-1)`, `(key=-1,dorian)`, `(forward)`, `(back)`, `(back=3)`, `(ending=1)`, `(stop=1)`,
`(double)`, `(implicit)`, `(number=X1)`, `(segno)`, `(coda)`, `(dacapo)`, `(dalsegno)`, `(fine)`, `(tocoda)`,
`(endtext=v.4)` what an ending's bracket says,
`(tempo=72)`, `(words=Fine)`, `(transpose=-2)`, `(C/minor/m/G)` a chord symbol (root, kind, printed text, bass).
A note of any voice may have words of its own: `C5:1[2=ev-,3=so]` (line and syllable).
Words are lines under the first voice: syllables divided by blanks, `-` after a syllable that goes on, `_` no syllable.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from xml.sax.saxutils import escape, quoteattr

DIVISIONS = 24
TYPES = {
    Fraction(4): ("whole", 0), Fraction(3): ("half", 1), Fraction(2): ("half", 0), Fraction(3, 2): ("quarter", 1),
    Fraction(1): ("quarter", 0), Fraction(3, 4): ("eighth", 1), Fraction(1, 2): ("eighth", 0),
    Fraction(1, 4): ("16th", 0),
}  # fmt: skip
_NOTE = re.compile(r"(?P<pitches>[^:]+):(?P<length>[\d/]+|g)(?P<flags>[~^'chm]*)(?:\[(?P<own>[^\]]*)\])?$")
_PITCH = re.compile(r"([A-G])(#*|b*)(-?\d)$")


@dataclass(frozen=True)
class Printed:
    """One part of a page: its name, music, lines of words, clefs of its staves."""

    name: str
    music: str
    words: Sequence[str] = ()
    clefs: str = "G"


def page(*parts: Printed, title: str = "An invented hymn", head: str = "") -> bytes:
    """A MusicXML document; `head` is XML after the title."""
    listed = "".join(
        f'<score-part id="P{index}"><part-name>{escape(part.name)}</part-name></score-part>'
        for index, part in enumerate(parts, 1)
    )
    bodies = "".join(f'<part id="P{index}">{"".join(_bars(part))}</part>' for index, part in enumerate(parts, 1))
    work = f"<work><work-title>{escape(title)}</work-title></work>" if title else ""
    text = (
        '<?xml version="1.0" encoding="UTF-8"?><score-partwise version="4.0">'
        f"{work}{head}<part-list>{listed}</part-list>{bodies}</score-partwise>"
    )
    return text.encode()


def packed(data: bytes, name: str = "score.musicxml", container: str | None = None) -> bytes:
    """The same document as a compressed file."""
    if container is None:
        container = f'<container><rootfiles><rootfile full-path="{name}"/></rootfiles></container>'
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        if container:
            archive.writestr("META-INF/container.xml", container)
        archive.writestr(name, data)
    return stream.getvalue()


def _bars(part: Printed) -> Iterator[str]:
    lines = [_syllables(line) for line in part.words]
    for index, bar in enumerate(part.music.split("|")):
        yield _bar(index, bar.split(), lines, part.clefs)


def _syllables(line: str) -> Iterator[tuple[str, str] | None]:
    goes_on = False
    for token in line.split():
        if token == "_":
            yield None
            continue
        more = token.endswith("-")
        kind = ("middle" if more else "end") if goes_on else ("begin" if more else "single")
        goes_on = more
        yield token.rstrip("-"), kind


def _bar(index: int, tokens: list[str], lines: list[Iterator[tuple[str, str] | None]], clefs: str) -> str:
    signs = [token[1:-1] for token in tokens if token.startswith("(")]
    number, implicit = str(index + 1), ' implicit="yes"' if "implicit" in signs else ""
    for sign in signs:
        if sign.startswith("number="):
            number = sign[7:]
    out = [f"<measure number={quoteattr(number)}{implicit}>", _left(signs), _attributes(index, signs, clefs)]
    voice, staff, at = 1, 1, Fraction(0)
    for token in tokens:
        if token in ("&", "&&"):
            out.append(f"<backup><duration>{int(at * DIVISIONS)}</duration></backup>" if at else "")
            voice, staff, at = voice + 1, staff + (token == "&&"), Fraction(0)
        elif token.startswith("("):
            out.append(_direction(token[1:-1]))
        else:
            text, length = _note(token, voice, staff, lines if voice == 1 else [])
            out.append(text)
            at += length
    return "".join([*out, _right(signs), "</measure>"])


def _attributes(index: int, signs: list[str], clefs: str) -> str:
    given = dict(sign.split("=", 1) for sign in signs if "=" in sign)
    inner = f"<divisions>{DIVISIONS}</divisions>" if index == 0 else ""
    if "key" in given:
        fifths, _, mode = given["key"].partition(",")
        inner += f"<key><fifths>{fifths}</fifths>{f'<mode>{mode}</mode>' if mode else ''}</key>"
    if "time" in given:
        beats, _, unit = given["time"].partition("/")
        inner += f"<time><beats>{beats}</beats><beat-type>{unit}</beat-type></time>"
    if index == 0:
        inner += f"<staves>{len(clefs)}</staves>" if len(clefs) > 1 else ""
        for staff, clef in enumerate(clefs, 1):
            line = {"G": "2", "F": "4", "C": "3", "p": "2", "T": "5"}[clef]
            sign = {"p": "percussion", "T": "TAB"}.get(clef, clef)
            inner += f'<clef number="{staff}"><sign>{sign}</sign><line>{line}</line></clef>'
    if "transpose" in given:
        inner += f"<transpose><chromatic>{given['transpose']}</chromatic></transpose>"
    return f"<attributes>{inner}</attributes>" if inner else ""


def _left(signs: list[str]) -> str:
    inner = ""
    for sign in signs:
        if sign.startswith("ending="):
            text = next((one[8:] for one in signs if one.startswith("endtext=")), "")
            inner += f'<ending number="{sign[7:]}" type="start">{escape(text)}</ending>'
    if "forward" in signs:
        inner += '<repeat direction="forward"/>'
    return f'<barline location="left">{inner}</barline>' if inner else ""


def _right(signs: list[str]) -> str:
    inner = "<bar-style>light-light</bar-style>" if "double" in signs else ""
    for sign in signs:
        if sign.startswith("stop="):
            inner += f'<ending number="{sign[5:]}" type="stop"/>'
    for sign in signs:
        if sign == "back" or sign.startswith("back="):
            times = f' times="{sign[5:]}"' if "=" in sign else ""
            inner += f'<repeat direction="backward"{times}/>'
    return f'<barline location="right">{inner}</barline>' if inner else ""


def _direction(sign: str) -> str:
    if sign in ("segno", "coda"):
        return f"<direction><direction-type><{sign}/></direction-type></direction>"
    if sign in ("dacapo", "dalsegno", "fine", "tocoda"):
        return f'<sound {sign}="{"yes" if sign in ("dacapo", "fine") else "1"}"/>'
    if sign.startswith("tempo="):
        return f'<sound tempo="{sign[6:]}"/>'
    if sign.startswith("words="):
        return f"<direction><direction-type><words>{escape(sign[6:])}</words></direction-type></direction>"
    if "/" in sign and "=" not in sign:
        return _harmony(*sign.split("/"))
    return ""


def _harmony(root: str, kind: str, text: str = "", bass: str = "") -> str:
    def named(prefix: str, name: str) -> str:
        alter = name.count("#") - name[1:].count("b")
        inner = f"<{prefix}-alter>{alter}</{prefix}-alter>" if alter else ""
        return f"<{prefix}><{prefix}-step>{name[0]}</{prefix}-step>{inner}</{prefix}>"

    label = f" text={quoteattr(text)}" if text else ""
    return f"<harmony>{named('root', root)}<kind{label}>{kind}</kind>{named('bass', bass) if bass else ''}</harmony>"


def _note(token: str, voice: int, staff: int, lines: list[Iterator[tuple[str, str] | None]]) -> tuple[str, Fraction]:
    found = _NOTE.match(token)
    assert found, f"{token!r} is not a note"
    flags = found["flags"]
    grace = found["length"] == "g"
    length = Fraction(0) if grace else Fraction(found["length"])
    words = "" if found["pitches"] == "r" or grace else "".join(_lyrics(lines))
    for own in (found["own"] or "").split(",") if found["own"] else ():
        number, _, text = own.partition("=")
        kind = "begin" if text.endswith("-") else "single"
        text = escape(text.rstrip("-"))
        words += f'<lyric number="{number}"><syllabic>{kind}</syllabic><text>{text}</text></lyric>'
    out = ""
    for index, name in enumerate(found["pitches"].split("+")):
        out += '<note print-object="no">' if "h" in flags else "<note>"
        out += "<grace/>" if grace else ""
        out += "<cue/>" if "c" in flags else ""
        out += "<chord/>" if index else ""
        out += _pitch(name, "m" in flags)
        out += "" if grace else f"<duration>{int(length * DIVISIONS)}</duration>"
        out += '<tie type="start"/>' if "~" in flags else ""
        out += f"<voice>{voice}</voice>"
        if length in TYPES:
            kind, dots = TYPES[length]
            out += f"<type>{kind}</type>{'<dot/>' * dots}"
        out += f"<staff>{staff}</staff>"
        out += _notations(flags) + (words if not index else "") + "</note>"
    return out, length


def _pitch(name: str, whole: bool) -> str:
    if name == "r":
        return '<rest measure="yes"/>' if whole else "<rest/>"
    found = _PITCH.match(name)
    assert found, f"{name!r} is not a pitch"
    alter = found[2].count("#") - found[2].count("b")
    inner = f"<alter>{alter}</alter>" if alter else ""
    return f"<pitch><step>{found[1]}</step>{inner}<octave>{found[3]}</octave></pitch>"


def _notations(flags: str) -> str:
    inner = "<fermata/>" if "^" in flags else ""
    inner += "<articulations><breath-mark/></articulations>" if "'" in flags else ""
    return f"<notations>{inner}</notations>" if inner else ""


def _lyrics(lines: list[Iterator[tuple[str, str] | None]]) -> Iterator[str]:
    for number, line in enumerate(lines, 1):
        found = next(line, None)
        if found:
            texts = found[0].split("+")
            inner = f"<syllabic>{found[1]}</syllabic><text>{escape(texts[0])}</text>"
            inner += "".join(f"<elision/><text>{escape(text)}</text>" for text in texts[1:])
            yield f'<lyric number="{number}">{inner}</lyric>'

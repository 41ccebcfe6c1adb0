"""Bad input is answered with a sentence: never a traceback, never a wait, never anything outside the file."""

from __future__ import annotations

import io
import random
import zipfile
from pathlib import Path

import mutations
import pytest
from mutations import damaged, faults_of, outcome, pages

from printed import Printed, packed, page
from undersong.errors import BrokenBar, BrokenFile, CannotReadFile, NotAHymn, UndersongError
from undersong.reading import SUFFIXES, read_all, read_file
from undersong.reading.container import MOST_BYTES
from undersong.reading.musicxml import read_musicxml

GOOD = page(Printed("Tune", "(time=2/4) C5:1 D5:1 | E5:2"))
ENTITIES = b"""<?xml version="1.0"?><!DOCTYPE score-partwise [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;">
<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;">]><score-partwise><part-list/><part id="P1"><measure>&c;</measure>
</part></score-partwise>"""
OUTSIDE = b"""<?xml version="1.0"?><!DOCTYPE score-partwise [<!ENTITY a SYSTEM "file:///etc/hostname">]>
<score-partwise><work><work-title>&a;</work-title></work></score-partwise>"""


def zipped(**entries: bytes) -> bytes:
    """An archive; double underscores in names stand for `/`, single ones for `.`."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries.items():
            archive.writestr(name.replace("__", "/").replace("_", "."), data)
    return stream.getvalue()


def container(path: str) -> str:
    return f'<container><rootfiles><rootfile full-path="{path}"/></rootfiles></container>'


def without(data: bytes, element: bytes) -> bytes:
    assert element in data
    return data.replace(element, b"")


BAD: dict[str, tuple[str, bytes, type[UndersongError], str]] = {
    "empty": ("a.musicxml", b"", CannotReadFile, "empty"),
    "blank": ("a.musicxml", b"   \n\n", CannotReadFile, "not a MusicXML file"),
    "binary": ("a.musicxml", bytes(range(256)) * 20, CannotReadFile, "not a MusicXML file"),
    "words": ("a.xml", b"Dear organist,", CannotReadFile, "not a MusicXML file"),
    "cut short": ("a.musicxml", GOOD[: len(GOOD) // 2], BrokenFile, "line 1: .*not well-formed"),
    "wrong encoding": ("a.musicxml", GOOD.replace(b"An invented", b"\xe9\xe8nvented"), BrokenFile, "not well-formed"),
    "unknown encoding": ("a.musicxml", GOOD.replace(b"UTF-8", b"KLINGON"), BrokenFile, "encoding"),
    "UTF-16 cut in a letter": ("a.xml", GOOD.decode().encode("utf-16")[:-1], BrokenFile, "utf-16"),
    "entities": ("a.musicxml", ENTITIES, BrokenFile, "declares entities"),
    "entities in UTF-16": ("a.xml", ENTITIES.decode().encode("utf-16"), BrokenFile, "declares entities"),
    "entity from outside": ("a.musicxml", OUTSIDE, BrokenFile, "declares entities"),
    "deeply nested": ("a.musicxml", b"<score-partwise>" + b"<part>" * 100_000, BrokenFile, "not well-formed"),
    "other XML": ("a.xml", b"<html><body/></html>", NotAHymn, "not MusicXML .*<html>"),
    "opus": ("a.xml", b"<opus><score/></opus>", NotAHymn, "opus.*Give the files"),
    "no parts": ("a.xml", b"<score-partwise><part-list/></score-partwise>", NotAHymn, "no music"),
    "no notes": ("a.musicxml", page(Printed("", "(time=2/4) r:2 | r:2")), NotAHymn, "no notes"),
    "no bars": ("a.xml", b"<score-partwise><part id='P1'/></score-partwise>", NotAHymn, "no notes"),
    "only drums": ("a.musicxml", page(Printed("", "(time=2/4) C5:2", clefs="p")), NotAHymn, "no notes"),
    "too many parts": (
        "a.musicxml",
        page(*(Printed(f"Viol {index}", "(time=2/4) C5:2") for index in range(70))),
        NotAHymn,
        "70 parts.*orchestra",
    ),
    "too many bars": ("a.musicxml", page(Printed("", " | ".join(["C5:1"] * 2500))), NotAHymn, "2500 bars"),
    "too many notes": (
        "a.musicxml",
        page(*(Printed("", " | ".join(["C5:1/2 D5:1/2 E5:1/2 F5:1/2"] * 1700)) for _ in range(4))),
        NotAHymn,
        "27200 notes, far more than a hymn",
    ),
    "too many elements": (
        "a.musicxml",
        GOOD.replace(b"</measure>", b"<harmony/>" * 200_000 + b"</measure>"),
        NotAHymn,
        "elements, far more",
    ),
    "five beats": (
        "a.musicxml",
        page(Printed("", "(time=4/4) C5:4 | D5:4 E5:1")),
        BrokenBar,
        r"bar 2, beat 5, tune: this bar has 5 beats of 4 \(4/4\); is the pickup marked",
    ),
    "no divisions": (
        "a.musicxml",
        without(GOOD, b"<divisions>24</divisions>"),
        BrokenFile,
        "bar 1, Tune: .*divisions",
    ),
    "no divisions at all": (
        "a.musicxml",
        GOOD.replace(b"<divisions>24<", b"<divisions>0<"),
        BrokenFile,
        "bar 1, Tune: divisions",
    ),
    "duration in words": (
        "a.musicxml",
        GOOD.replace(b"<duration>48<", b"<duration>long<"),
        BrokenFile,
        "bar 2, Tune: the duration of a note is 'long'",
    ),
    "endless duration": (
        "a.musicxml",
        GOOD.replace(b"<duration>48<", b"<duration>1e99999999<"),
        BrokenFile,
        "bar 2, Tune: the duration",
    ),
    "very long note": (
        "a.musicxml",
        GOOD.replace(b"<duration>48<", b"<duration>999999999<"),
        BrokenFile,
        "bar 2, Tune: this bar is far too long",
    ),
    "no such note": (
        "a.musicxml",
        GOOD.replace(b"<step>E<", b"<step>H<"),
        BrokenFile,
        "bar 2, Tune: a note is called 'H'",
    ),
    "no such octave": ("a.musicxml", GOOD.replace(b"<octave>5<", b"<octave>55<"), BrokenFile, "an octave is '55'"),
    "no such time": ("a.musicxml", GOOD.replace(b"<beats>2<", b"<beats>0<"), BrokenFile, "the time signature is '0'"),
    "no such beat": ("a.musicxml", GOOD.replace(b"-type>4<", b"-type>5<"), BrokenFile, "impossible lower number"),
    "not a zip": ("a.mxl", b"PK\x03\x04" + b"\0" * 50, BrokenFile, "cannot be unpacked"),
    "zip cut short": ("a.mxl", packed(GOOD)[:-40], BrokenFile, "cannot be unpacked"),
    "zip without score": ("a.mxl", zipped(readme_txt=b"hello"), BrokenFile, "holds no score"),
    "zip that lacks its score": (
        "a.mxl",
        packed(GOOD, container=container("other.xml")),
        BrokenFile,
        "lacks the score",
    ),
    "zip that leads out": (
        "a.mxl",
        packed(GOOD, "../../score.xml", container=container("../../score.xml")),
        BrokenFile,
        "points outside",
    ),
    "zip with a rooted name": (
        "a.mxl",
        packed(GOOD, container=container("/etc/hostname")),
        BrokenFile,
        "points outside",
    ),
    "zip with a drive": ("a.mxl", packed(GOOD, container=container("C:\\score.xml")), BrokenFile, "points outside"),
    "zip bomb": ("a.mxl", packed(b"<a>" + b" " * (10 * 1024 * 1024)), BrokenFile, "far more than it should"),
    "zip too large": ("a.mxl", packed(b"<a>" + b" " * (40 * 1024 * 1024)), CannotReadFile, "too large .40 MB"),
    "zip of many": ("a.mxl", zipped(**{f"f{n}_xml": b"" for n in range(400)}), BrokenFile, "400 files"),
    "zip with entities": ("a.mxl", packed(ENTITIES), BrokenFile, "declares entities"),
    "zip with entities in its list": ("a.mxl", packed(GOOD, container=OUTSIDE.decode()), BrokenFile, "entities"),
    "other suffix": ("a.pdf", b"%PDF", CannotReadFile, r"\.pdf are not read.*\.musicxml, \.xml, \.mxl"),
    "no suffix": ("hymn", GOOD, CannotReadFile, "are not read"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_file_is_refused_with_its_name_and_a_sentence(case: str, tmp_path: Path) -> None:
    """Each is refused as what it is, at once, with the file's name first."""
    name, data, kind, says = BAD[case]
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(kind, match=says) as raised:
        read_file(path)
    assert str(raised.value).startswith(f"{name}: ")
    assert type(raised.value) is kind
    assert raised.value.remedy
    assert "makes no sense" not in str(raised.value)


def test_large_file_is_refused_before_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """40 MB on the disc: only its size is asked for."""
    path = tmp_path / "large.musicxml"
    with path.open("wb") as stream:
        stream.truncate(40 * 1024 * 1024)
    monkeypatch.setattr(Path, "read_bytes", lambda _: pytest.fail("the file was read"))
    with pytest.raises(CannotReadFile, match=r"too large .40 MB, at most 16 MB"):
        read_file(path)


def test_large_document_is_refused_before_it_is_parsed() -> None:
    """One byte more than the limit."""
    with pytest.raises(CannotReadFile, match="too large"):
        read_musicxml(GOOD + b" " * (MOST_BYTES + 1 - len(GOOD)))


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("missing.musicxml", "there is no such file"),
        ("folder.musicxml", "this is a folder"),
        ("nul\0.musicxml", "cannot be opened"),
    ],
)
def test_what_cannot_be_opened(name: str, says: str, tmp_path: Path) -> None:
    """A missing file, a folder, a name that no file has."""
    (tmp_path / "folder.musicxml").mkdir()
    with pytest.raises(CannotReadFile, match=says):
        read_file(tmp_path / name)


def test_nothing_is_written_beside_a_compressed_file(tmp_path: Path) -> None:
    """A compressed file is unpacked in memory alone."""
    inside = tmp_path / "inside"
    inside.mkdir()
    (inside / "a.mxl").write_bytes(packed(GOOD))
    read_file(inside / "a.mxl")
    assert [path.name for path in tmp_path.rglob("*")] == ["inside", "a.mxl"]


def test_a_doctype_without_entities_is_welcome() -> None:
    """Most programs write one; it is not fetched."""
    doctype = (
        b'<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" "http://localhost:9/x.dtd">'
    )
    assert read_musicxml(GOOD.replace(b"?><score", b"?>" + doctype + b"<score")).tune.bars


def test_the_pages_that_are_damaged_are_sound(tmp_path: Path) -> None:
    """Before any damage each page is read and holds together."""
    for name, data in pages().items():
        path = tmp_path / name
        path.write_bytes(data)
        found = read_all(path)
        assert found.refused == ()
        assert [faults_of(hymn) for hymn in found.hymns] == [""] * len(found.hymns)


def test_two_hundred_damaged_pages(tmp_path: Path) -> None:
    """Each is read and holds together, or is refused; both happen (how long they take is the sweep's question)."""
    said = [outcome(index, 20, tmp_path) for index in range(200)]
    assert set(said) == {"read", "refused"}
    assert said.count("read") > 40


def test_damage_is_made_again_from_its_number() -> None:
    """The same number and seed give the same copy, another number another."""
    assert damaged(3, 1) == damaged(3, 1)
    assert damaged(3, 1) != damaged(4, 1)


def test_the_sweep_tells_a_broken_reader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that raises anything else is told as failed."""

    def broken(path: Path) -> None:
        raise ZeroDivisionError(path.name)

    monkeypatch.setattr(mutations, "read_file", broken)
    assert outcome(1, 1, tmp_path).startswith("ZeroDivisionError")


def test_unforeseen_faults_reach_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Should the reader itself be at fault, the file is still named and the cause kept."""

    def broken(data: bytes, file: str) -> None:
        raise KeyError(len(data), file)

    monkeypatch.setitem(SUFFIXES, ".musicxml", broken)
    path = tmp_path / "a.musicxml"
    path.write_bytes(GOOD)
    with pytest.raises(BrokenFile, match=r"a\.musicxml: this file makes no sense \(KeyError\)") as raised:
        read_file(path)
    assert isinstance(raised.value.__cause__, KeyError)


def test_a_random_file_is_never_a_hymn(tmp_path: Path) -> None:
    """Noise behind the first bytes of each kind."""
    rng = random.Random(7)
    for start in (
        b"",
        b"PK\x03\x04",
        b"<?xml",
        b"\xff\xfe",
        b"\xfe\xff",
        b"<\x00?\x00",
        b"\xef\xbb\xbf<score-partwise>",
    ):
        path = tmp_path / "noise.musicxml"
        path.write_bytes(start + rng.randbytes(5000))
        with pytest.raises(UndersongError, match=r"^noise\.musicxml: "):
            read_file(path)

"""From bytes to one XML tree, with a guard at the door.

A hymn may come from anywhere, so nothing is believed: sizes are bounded before anything is unpacked
or parsed, a compressed file is only ever read in memory, names inside it may not lead out of it, and
a document that declares entities is refused before the parser sees it.

Conventions: sizes are bytes. Every refusal is an `UndersongError`; `place` is the line of the document
or the name inside the archive.

References: MusicXML 4.0, "Compressed .mxl files" (META-INF/container.xml, `rootfile`); XML 1.0 appendix F
(telling the encoding from the first bytes).
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE, BOM_UTF32_BE, BOM_UTF32_LE

from lxml import etree

from undersong.errors import BrokenFile, CannotReadFile, NotAHymn

Element = etree._Element  # noqa: SLF001 - lxml publishes its element type under no other name

MOST_BYTES = 16 * 1024 * 1024
"""Largest document that is parsed. A long hymn with twenty verses stays under one megabyte."""
MOST_ENTRIES = 256
MOST_RATIO = 400
"""Largest ratio of unpacked to packed size; plain scores reach about 40."""

_ZIP_START = b"PK\x03\x04"
_FAULTS_OF_ZIP = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    NotImplementedError,
    RuntimeError,
    EOFError,
    OSError,
    ValueError,
    KeyError,
)
_ENCODINGS = (
    (BOM_UTF32_LE, "utf-32"),
    (BOM_UTF32_BE, "utf-32"),
    (BOM_UTF16_LE, "utf-16"),
    (BOM_UTF16_BE, "utf-16"),
    (b"<\x00?\x00", "utf-16-le"),
    (b"\x00<\x00?", "utf-16-be"),
)
_DECLARATION = re.compile(r"\A\s*<\?xml[^>]{0,200}\?>")
_KNOWN_ROOTS = ("score-partwise", "score-timewise")


def is_zip(data: bytes) -> bool:
    """True when the bytes begin as a compressed score does."""
    return data.startswith(_ZIP_START)


def open_score(data: bytes, file: str = "") -> Element:
    """The `score-partwise` element of a plain or compressed MusicXML document.

    A `score-timewise` document is turned round. CannotReadFile for what is empty, too large or not
    XML at all; BrokenFile for what is damaged or hostile; NotAHymn for other kinds of XML.
    """
    if not data:
        raise CannotReadFile("this file is empty", file=file)
    if is_zip(data):
        data = _unpack(data, file)
    root = _parse(_as_utf8(data, file), file)
    _strip_namespaces(root)
    return _partwise(root, file)


def _too_large(file: str, size: int) -> CannotReadFile:
    limit = MOST_BYTES // (1024 * 1024)
    return CannotReadFile(
        f"this file is too large ({size / 1024 / 1024:.0f} MB unpacked, at most {limit} MB are read)",
        file=file,
        remedy="Give one hymn to a file.",
    )


def _unpack(data: bytes, file: str) -> bytes:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            if len(entries) > MOST_ENTRIES:
                raise BrokenFile(f"this archive holds {len(entries)} files", file=file)
            return _entry(archive, _root_name(archive, file), file)
    except _FAULTS_OF_ZIP as fault:
        raise BrokenFile(f"the compressed file cannot be unpacked ({_short(fault)})", file=file) from fault


def _root_name(archive: zipfile.ZipFile, file: str) -> str:
    names = archive.namelist()
    if "META-INF/container.xml" in names:
        container = _parse(_as_utf8(_entry(archive, "META-INF/container.xml", file), file), file)
        _strip_namespaces(container)
        for rootfile in container.iter("rootfile"):
            name = rootfile.get("full-path", "")
            kind = rootfile.get("media-type", "application/vnd.recordare.musicxml+xml")
            if "musicxml" in kind or kind.endswith("/xml"):
                return _checked_name(name, names, file)
        raise BrokenFile("the compressed file names no score inside it", file=file, place="META-INF/container.xml")
    for name in names:
        if name.lower().endswith((".musicxml", ".xml")) and not name.startswith("META-INF/"):
            return _checked_name(name, names, file)
    raise BrokenFile("the compressed file holds no score", file=file)


def _checked_name(name: str, names: list[str], file: str) -> str:
    steps = name.replace("\\", "/").split("/")
    if not name or name.startswith(("/", "\\")) or ".." in steps or ":" in steps[0]:
        raise BrokenFile(f"the compressed file points outside itself ({name[:60]!r})", file=file)
    if name not in names:
        raise BrokenFile(f"the compressed file lacks the score it names ({name[:60]!r})", file=file)
    return name


def _entry(archive: zipfile.ZipFile, name: str, file: str) -> bytes:
    info = archive.getinfo(name)
    if info.flag_bits & 1:
        raise BrokenFile("the compressed file is locked with a password", file=file, place=name)
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise BrokenFile("the file is compressed in a way that MusicXML does not allow", file=file, place=name)
    if info.file_size > MOST_BYTES:
        raise _too_large(file, info.file_size)
    if info.file_size > MOST_RATIO * max(info.compress_size, 1024):
        raise BrokenFile("the compressed file unpacks to far more than it should", file=file, place=name)
    with archive.open(info) as stream:
        data = stream.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise _too_large(file, len(data))
    return data


def _as_utf8(data: bytes, file: str) -> bytes:
    """UTF-16 and UTF-32 become UTF-8, so that one check for entities serves all."""
    if len(data) > MOST_BYTES:
        raise _too_large(file, len(data))
    for start, encoding in _ENCODINGS:
        if data.startswith(start):
            try:
                text = data.decode(encoding)
            except UnicodeDecodeError as fault:
                raise BrokenFile(f"the text is not what its first bytes promise ({encoding})", file=file) from fault
            return _DECLARATION.sub("", text.lstrip("\ufeff"), count=1).encode("utf-8", "replace")
    return data.removeprefix(BOM_UTF8)


def _parse(data: bytes, file: str) -> Element:
    start = data[:512].lstrip()
    if not start.startswith(b"<"):
        raise CannotReadFile("this is not a MusicXML file", file=file)
    if b"<!ENTITY" in data:
        raise BrokenFile("this file declares entities, which no score needs", file=file)
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False, remove_comments=True, remove_pis=True
    )
    try:
        root = etree.fromstring(data, parser)
    except etree.XMLSyntaxError as fault:
        line = f"line {fault.lineno}" if fault.lineno else ""
        raise BrokenFile(f"this file is not well-formed XML ({_short(fault)})", file=file, place=line) from fault
    except (ValueError, LookupError) as fault:
        raise BrokenFile(f"this file cannot be decoded ({_short(fault)})", file=file) from fault
    if root is None:
        raise BrokenFile("this file holds no XML element", file=file)
    return root


def _strip_namespaces(root: Element) -> None:
    for element in root.iter():
        if isinstance(element.tag, str) and element.tag.startswith("{"):
            element.tag = element.tag.partition("}")[2] or "unnamed"


def _partwise(root: Element, file: str) -> Element:
    tag = root.tag if isinstance(root.tag, str) else ""
    if tag == "opus":
        raise NotAHymn(
            "this is a list of scores (an opus), not a score", file=file, remedy="Give the files that it names."
        )
    if tag not in _KNOWN_ROOTS:
        raise NotAHymn(f"this is XML, but not MusicXML (its first element is <{tag[:40]}>)", file=file)
    return root if tag == "score-partwise" else _turned_round(root)


def _turned_round(score: Element) -> Element:
    """A time-wise score as a part-wise one: the same measures, sorted by part."""
    parts: dict[str, Element] = {}
    for measure in score.findall("measure"):
        for fragment in measure.findall("part"):
            name = fragment.get("id", "")
            part = parts.get(name)
            if part is None:
                part = parts[name] = etree.Element("part")
                part.set("id", name)
            bar = etree.SubElement(part, "measure")
            for key, value in measure.attrib.items():
                bar.set(key, value)
            bar.extend(list(fragment))
        score.remove(measure)
    score.extend(parts.values())
    score.tag = "score-partwise"
    return score


def _short(fault: BaseException) -> str:
    return " ".join(str(fault).split())[:120] or type(fault).__name__

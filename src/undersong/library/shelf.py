"""Her hymns: a plain folder, one folder in it for each hymn.

    hymns/holy-holy-holy/source.musicxml    as it was received
    hymns/holy-holy-holy/hymn.toml          what she changed: title, lines, chords, the plan
    hymns/holy-holy-holy/history/00007.toml what hymn.toml was before; `undone/` what was taken back

Problem: nothing she did may be lost, half-written, or written over by another window. So everything she
changes in a hymn stands in one file that is replaced whole, every write names the version it was made from,
and what a file was is kept before it is replaced.

Conventions: a hymn is named by its folder. A version is the beginning of the SHA-256 of `hymn.toml`; the same
content is the same version. Chords stand as she wrote them, in the key they were written in.

References: TOML 1.0.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import secrets
import shutil
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from undersong.errors import CannotReadFile, CannotSay, CannotWrite, UndersongError
from undersong.harmony.edits import merged
from undersong.library.editsfile import edits_of, entry_of
from undersong.model.codec import decode, encode
from undersong.model.edits import NO_EDITS, NOTHING_AMENDED, Amendments, Edit, Edits
from undersong.model.pitch import Key
from undersong.model.plan import Plan

NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,79}")
MOST_BYTES = 1_000_000
MOST_KEPT = 500
"""Earlier states kept of one hymn."""
MOST_RECEIVED = 40
"""Collections that wait for a choice."""
LOCK_SECONDS = 10.0
"""A lock older than this was left behind by a program that died."""
HEAD = "Kept by Undersong: what you changed in this hymn. The file as you received it lies beside it."


class Changed(UndersongError):
    """Another window has changed the hymn since this one was shown."""

    message = "this hymn has been changed in another window"
    remedy = "Look at both, then keep one."


class NotHere(UndersongError):
    """What was asked for is not on the shelf."""

    message = "this is not here"
    remedy = "Choose it from the list."


@dataclass(frozen=True, slots=True)
class Kept:
    """A hymn on the shelf. `number` is its place in the source; `did` tells the last change in her words."""

    name: str
    source: Path
    version: str
    received: str = ""
    number: int = 0
    title: str = ""
    added: str = ""
    did: str = ""
    amendments: Amendments = NOTHING_AMENDED
    edits: Edits = NO_EDITS
    key: str = "C major"
    """The key her chords were written in."""
    plan: Plan | None = None
    undoes: str = ""
    """What would be taken back, and what done again; empty when there is nothing."""
    redoes: str = ""


Change = Callable[[Kept], Kept]


def home() -> Path:
    """The folder for her hymns: UNDERSONG_HOME, or Undersong in her documents."""
    asked = os.environ.get("UNDERSONG_HOME")
    if asked:
        return Path(asked)
    import platformdirs  # noqa: PLC0415  # most commands have no shelf

    return platformdirs.user_documents_path() / "Undersong"


class Shelf:
    """The folder with her hymns."""

    def __init__(self, folder: Path) -> None:
        """The folder is made when the first hymn is put there."""
        self.folder = folder
        self._turn = threading.Lock()

    @property
    def hymns(self) -> Path:
        """Where the hymns lie."""
        return self.folder / "hymns"

    def all(self) -> list[Kept]:
        """Every hymn that can be read, by title; a broken one does not hide the others."""
        found = []
        for name in self.names():
            with contextlib.suppress(UndersongError):
                found.append(self.open(name))
        return sorted(found, key=lambda one: (one.title.casefold(), one.name))

    def names(self) -> list[str]:
        """Names of all hymns."""
        try:
            return sorted(one.name for one in self.hymns.iterdir() if NAME.fullmatch(one.name) and one.is_dir())
        except OSError:
            return []

    def broken(self) -> list[str]:
        """Names of hymns whose file cannot be read, each with the reason."""
        told = []
        for name in self.names():
            try:
                self.open(name)
            except UndersongError as fault:
                told.append(f"{name}: {fault}")
        return told

    def open(self, name: str) -> Kept:
        """A hymn by its name; NotHere if there is none, CannotReadFile if its file is broken."""
        file = self._folder(name) / "hymn.toml"
        try:
            if file.stat().st_size > MOST_BYTES:
                raise CannotReadFile("this file is too large", file=str(file))
            data = file.read_bytes()
        except OSError as fault:
            raise CannotReadFile(f"the hymn cannot be opened ({fault.strerror})", file=str(file)) from fault
        return self._kept(name, file, data)

    def add(self, received: str, data: bytes, suffix: str, title: str, number: int = 0) -> str:
        """Put a hymn on the shelf, source and all; its name there."""
        wanted = _plain_name(title)
        with self._locked(self.hymns):
            taken = set(self.names())
            name, count = wanted, 1
            while name in taken:
                count += 1
                name = f"{wanted[:70]}-{count}"
            folder = self.hymns / name
            waiting = self.hymns / f".{name}.part"
            try:
                shutil.rmtree(waiting, ignore_errors=True)
                waiting.mkdir()
                (waiting / f"source{suffix}").write_bytes(data)
                today = datetime.now(UTC).strftime("%Y-%m-%d")
                kept = Kept(name, Path(f"source{suffix}"), "", received, number, title, today)
                (waiting / "hymn.toml").write_bytes(_written(kept))
                waiting.replace(folder)
            except OSError as fault:
                raise CannotWrite(f"the hymn cannot be kept ({fault.strerror or fault})", file=str(folder)) from fault
            finally:
                shutil.rmtree(waiting, ignore_errors=True)
        return name

    def change(self, name: str, version: str, did: str, change: Change) -> Kept:
        """Write a change made from `version`; Changed if the hymn is not that version any more."""
        folder = self._folder(name)
        with self._locked(folder):
            now = self._still(name, version)
            wanted = change(now)
            if wanted != now:
                self._keep(folder / "history", (folder / "hymn.toml").read_bytes())
                shutil.rmtree(folder / "undone", ignore_errors=True)
                self._put(folder / "hymn.toml", _written(replace(wanted, did=did)))
        return self.open(name)

    def undo(self, name: str, version: str) -> Kept:
        """Take the last change back."""
        return self._turn_back(name, version, "history", "undone")

    def redo(self, name: str, version: str) -> Kept:
        """Make the change again that was taken back last."""
        return self._turn_back(name, version, "undone", "history")

    def since(self, name: str, version: str) -> list[str]:
        """What was done to a hymn since a version, oldest first; what stands now at least."""
        now = self._folder(name) / "hymn.toml"
        after, told = now, list[str]()
        for file in sorted(now.parent.glob("history/[0-9]*.toml"), reverse=True):
            told.append(_did(after))
            if _version(file.read_bytes()) == version:
                return told[::-1]
            after = file
        return [_did(now)]

    def remove(self, name: str, version: str) -> Path:
        """Take a hymn off the shelf; it lies in `removed` and can be put back by hand."""
        folder = self._folder(name)
        with self._locked(folder):
            self._still(name, version)
            place = self.folder / "removed" / f"{name}-{version}"
            try:
                place.parent.mkdir(parents=True, exist_ok=True)
                shutil.rmtree(place, ignore_errors=True)
                folder.replace(place)
            except OSError as fault:
                raise CannotWrite(f"the hymn cannot be moved ({fault.strerror})", file=str(folder)) from fault
        (place / ".lock").unlink(missing_ok=True)
        return place

    # ------------------------------------------------------------------------- files that wait for a choice

    def receive(self, token: str, file: str, data: bytes, named: str) -> Path:
        """Keep a file as it came until a tune of it is chosen; its place. The oldest are dropped."""
        folder = self.folder / "received"
        try:
            place = folder / token
            place.mkdir(parents=True)
            (place / file).write_bytes(data)
            (place / "name.txt").write_text(named, encoding="utf-8")
            for old in sorted(folder.iterdir(), key=lambda one: one.stat().st_mtime, reverse=True)[MOST_RECEIVED:]:
                shutil.rmtree(old, ignore_errors=True)
        except OSError as fault:
            raise CannotWrite(f"the file cannot be kept ({fault.strerror or fault})", file=str(folder)) from fault
        return place / file

    def received(self, token: str) -> tuple[Path, str]:
        """A file that came and its name; NotHere if it is not there any more."""
        folder = self.folder / "received"
        try:
            here = token in {one.name for one in folder.iterdir()}
            place = folder / token
            found = next(iter(place.glob("source.*")), None) if here else None
            named = (place / "name.txt").read_text(encoding="utf-8") if found else ""
        except OSError:
            found, named = None, ""
        if found is None:
            raise NotHere("this file is not here any more", remedy="Bring it in again.")
        return found, named

    def forget_received(self, token: str) -> None:
        """Drop a file that came."""
        if re.fullmatch(r"[A-Za-z0-9_-]+", token):
            shutil.rmtree(self.folder / "received" / token, ignore_errors=True)

    # ------------------------------------------------------------------------------- hymns that are being typed

    def begin_draft(self, text: str) -> str:
        """A new draft; its name."""
        name = secrets.token_hex(8)
        self._put(self.folder / "drafts" / f"{name}.json", text.encode())
        return name

    def drafts(self) -> dict[str, datetime]:
        """Names of the drafts and when each was written last (by the clock of this machine), the newest first."""
        try:
            found = {
                one.stem: one.stat().st_mtime for one in (self.folder / "drafts").iterdir() if one.suffix == ".json"
            }
        except OSError:
            return {}
        ordered = sorted(found, key=found.__getitem__, reverse=True)
        return {name: datetime.fromtimestamp(found[name], UTC).astimezone() for name in ordered}

    def draft(self, name: str) -> tuple[str, str]:
        """A draft and its version; NotHere if there is none."""
        try:
            data = self._draft(name).read_bytes()
        except OSError as fault:
            raise CannotReadFile(f"this draft cannot be opened ({fault.strerror})") from fault
        return data.decode(errors="replace"), _version(data)

    def change_draft(self, name: str, version: str, text: str) -> str:
        """Write a draft made from `version`; the new version. Changed if it is not that version any more."""
        place = self._draft(name)
        with self._locked(place.parent):
            if self.draft(name)[1] != version:
                raise Changed("this hymn is being typed in another window too", remedy="Load the page again there.")
            self._put(place, text.encode())
        return self.draft(name)[1]

    def forget_draft(self, name: str) -> None:
        """A draft is done, or not wanted."""
        self._draft(name).unlink(missing_ok=True)

    def _draft(self, name: str) -> Path:
        if name not in self.drafts():
            raise NotHere("this draft is not here any more")
        return self.folder / "drafts" / f"{name}.json"

    # ------------------------------------------------------------------------------------------- inside

    def _folder(self, name: str) -> Path:
        if not NAME.fullmatch(name) or name not in self.names():
            raise NotHere("there is no such hymn on the shelf")
        return self.hymns / name

    def _still(self, name: str, version: str) -> Kept:
        now = self.open(name)
        if now.version != version:
            raise Changed
        return now

    def _kept(self, name: str, file: Path, data: bytes) -> Kept:
        try:
            held = tomllib.loads(data.decode())
            source = str(held["source"])
            if not re.fullmatch(r"source\.[a-z]{1,10}", source):
                raise CannotReadFile("the name of the source is not one of ours", file=str(file))
            plan = held.get("plan")
            return Kept(
                name, file.with_name(source), _version(data), str(held.get("received", "")),
                int(held.get("number", 0)), str(held.get("title", "")), str(held.get("added", "")),
                str(held.get("did", "")), decode(Amendments, held.get("amended", {})),
                edits_of(held.get("chord", []), file),
                str(held.get("key", "C major")), decode(Plan, _with_verses(plan)) if plan else None,
                self._told(file.parent / "history", str(held.get("did", ""))), self._told(file.parent / "undone"),
            )  # fmt: skip
        except (
            UnicodeDecodeError,
            tomllib.TOMLDecodeError,
            KeyError,
            TypeError,
            ValueError,
            AttributeError,
            CannotSay,
        ) as fault:
            raise CannotReadFile(
                f"what you changed in this hymn cannot be read ({fault})",
                file=str(file),
                remedy="Mend the file, or put the newest one of the folder history in its place.",
            ) from fault

    def _told(self, folder: Path, did: str | None = None) -> str:
        """What a change was called: the present one where something can be taken back, else that in the folder."""
        newest = _newest(folder)
        if newest is None:
            return ""
        return (_did(newest) if did is None else did) or "the last change"

    def _turn_back(self, name: str, version: str, come_from: str, go_to: str) -> Kept:
        folder = self._folder(name)
        with self._locked(folder):
            self._still(name, version)
            newest = _newest(folder / come_from)
            if newest is not None:
                self._keep(folder / go_to, (folder / "hymn.toml").read_bytes())
                self._put(folder / "hymn.toml", newest.read_bytes())
                newest.unlink(missing_ok=True)
        return self.open(name)

    def _keep(self, folder: Path, data: bytes) -> None:
        newest = _newest(folder)
        number = int(newest.stem) + 1 if newest else 1
        self._put(folder / f"{number:05}.toml", data)
        (folder / f"{number - MOST_KEPT:05}.toml").unlink(missing_ok=True)

    def _put(self, file: Path, data: bytes) -> None:
        """Write a file whole: beside its place first, on the disk, then moved in."""
        waiting = file.with_name(f".{file.name}.part")
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            with waiting.open("wb") as open_file:
                open_file.write(data)
                open_file.flush()
                os.fsync(open_file.fileno())
            waiting.replace(file)
        except OSError as fault:
            raise CannotWrite(f"the change cannot be kept ({fault.strerror or fault})", file=str(file)) from fault
        finally:
            waiting.unlink(missing_ok=True)

    @contextlib.contextmanager
    def _locked(self, folder: Path) -> Iterator[None]:
        """One writer at a time: threads of this program, and other programs by a file."""
        lock = folder / ".lock"
        with self._turn:
            try:
                folder.mkdir(parents=True, exist_ok=True)
                _take(lock)
            except OSError as fault:
                reason = f"this folder cannot be written to ({fault.strerror or fault})"
                raise CannotWrite(reason, file=str(folder)) from fault
            try:
                yield
            finally:
                lock.unlink(missing_ok=True)


def _take(lock: Path) -> None:
    end = time.monotonic() + LOCK_SECONDS
    while True:
        try:
            os.close(os.open(lock, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        except FileExistsError:
            with contextlib.suppress(FileNotFoundError):
                if time.time() - lock.stat().st_mtime > LOCK_SECONDS or time.monotonic() > end:
                    lock.unlink(missing_ok=True)
            time.sleep(0.02)
        else:
            return


def _newest(folder: Path) -> Path | None:
    return max(folder.glob("[0-9]*.toml"), key=lambda one: int(one.stem) if one.stem.isdigit() else 0, default=None)


def _did(file: Path) -> str:
    """What the change that led to a file was called."""
    try:
        return str(tomllib.loads(file.read_text(encoding="utf-8")).get("did", ""))
    except (OSError, ValueError):  # as above
        return ""


def _version(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()[:16]


def _plain_name(title: str) -> str:
    import unicodedata  # noqa: PLC0415  # only for a new hymn

    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-") or "hymn"


def _without_none(plain: Any) -> Any:
    """TOML knows no null: what is None is left out, and takes its default again when it is read."""
    if isinstance(plain, dict):
        return {name: _without_none(value) for name, value in plain.items() if value is not None}
    return [_without_none(one) for one in plain] if isinstance(plain, list) else plain


def _with_verses(plan: Any) -> Any:
    """A tune without words has None for its verse, which was left out."""
    return {**plan, "verses": [{"verse": None, **row} for row in plan.get("verses", [])]}


def _changes(value: Any, default: Any) -> dict[str, Any]:
    """What differs from the default, as plain data."""
    plain, usual = encode(value), encode(default)
    assert isinstance(plain, dict)
    assert isinstance(usual, dict)
    return {name: one for name, one in plain.items() if one != usual[name]}


def _written(kept: Kept) -> bytes:
    import tomlkit  # noqa: PLC0415  # reading does without

    document = tomlkit.document()
    document.add(tomlkit.comment(HEAD))
    held: dict[str, Any] = {
        "title": kept.title, "received": kept.received, "source": kept.source.name, "number": kept.number,
        "added": kept.added, "key": kept.key, "did": kept.did,
    }  # fmt: skip
    held["amended"] = _changes(kept.amendments, NOTHING_AMENDED)
    if kept.edits.edits:
        key = Key.parse(kept.key)
        held["chord"] = [entry_of(one, key) for one in kept.edits.edits]
    if kept.plan is not None:
        held["plan"] = _without_none(encode(kept.plan))
    for name, value in held.items():
        document[name] = value
    return tomlkit.dumps(document).encode()


def with_chord(kept: Kept, edit: Edit, key: Key) -> Kept:
    """The hymn with one more chord of hers, in place of an earlier one there."""
    return replace(kept, edits=merged(kept.edits, edit), key=str(key))


def without_chord(kept: Kept, bar: str, beat: str, times: int) -> Kept:
    """The hymn without her chord at a place."""
    left = tuple(one for one in kept.edits.edits if (one.bar, one.beat, one.times) != (bar, beat, times))
    return replace(kept, edits=Edits(left))

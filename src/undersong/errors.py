"""What can go wrong, one class for each situation, with its sentence inside.

A failure carries a place and a remedy and is shown to the organist as it stands. Faults in the
music are not failures: they are `model.finding.Finding` values.
"""

from __future__ import annotations


class UndersongError(Exception):
    """Anything Undersong says instead of doing what was asked: file, place, sentence, remedy."""

    message = "something could not be done"
    remedy = ""

    def __init__(self, message: str = "", *, file: str = "", place: str = "", remedy: str = "") -> None:
        """Keep the facts; `str()` puts them in reading order."""
        self.message = message or type(self).message
        self.remedy = remedy or type(self).remedy
        self.file = file
        self.place = place
        super().__init__(self.message)

    def __str__(self) -> str:
        """`file: place: message. remedy`, leaving out what is not known."""
        where = [part for part in (self.file, self.place) if part]
        text = ": ".join([*where, self.message])
        return f"{text}. {self.remedy}" if self.remedy else text

    def within(self, file: str) -> UndersongError:
        """The same failure, now knowing which file it came from (unless it knew already)."""
        self.file = self.file or file
        return self

    def __reduce__(self) -> tuple[object, ...]:
        """Failures travel between processes whole."""
        return _rebuild, (type(self), self.message, self.file, self.place, self.remedy)


def _rebuild(kind: type[UndersongError], message: str, file: str, place: str, remedy: str) -> UndersongError:
    return kind(message, file=file, place=place, remedy=remedy)


class CannotReadFile(UndersongError):
    """The file is missing, empty, not music, or too large."""

    message = "this file cannot be read"
    remedy = "Check that it is a hymn file of a kind that is read (.musicxml, .xml, .mxl, .abc, .mid, .mei, .krn)."


class BrokenFile(UndersongError):
    """The file is of a known kind but damaged or hostile."""

    message = "this file is damaged"
    remedy = "Export it again from where it came, or open it in the program that wrote it."


class NotAHymn(UndersongError):
    """The file is sound, but what it holds is not a hymn this program can lay out."""

    message = "this is not a hymn"
    remedy = "Give four parts, or a melody with or without chord symbols."


class BrokenBar(UndersongError):
    """A bar does not add up in a way that cannot be understood."""

    message = "this bar does not add up"
    remedy = "Correct the bar in the file and read it again."


class UnknownName(UndersongError):
    """A texture, key, verse, paper or format that is not known."""

    message = "this name is not known"


class BrokenOrgan(UndersongError):
    """An organ or a room as she wrote it that does not make sense."""

    message = "this organ or room does not make sense"
    remedy = "`undersong organ show two-manuals --toml` prints one to begin from."


class UnknownStop(BrokenOrgan):
    """A stop's name that is not in the table, or a length that is not known."""

    message = "this stop is not known"
    remedy = 'Write { name = "Name", feet = "8", family = "flute" } instead of its name alone.'


class UselessRecording(UndersongError):
    """A recording from which nothing can be learnt."""

    message = "nothing can be learnt from this recording"
    remedy = "Record it again: one chord or note, not too loud, nothing else sounding."


class CannotSay(UndersongError):
    """A value that cannot be turned to JSON or back."""

    message = "this value cannot be read back"


class CannotWrite(UndersongError):
    """A file that cannot be written."""

    message = "the file cannot be written"
    remedy = "Check that the folder exists and may be written to."


class CannotEngrave(UndersongError):
    """The engraver failed on our own page."""

    message = "the page could not be engraved"
    remedy = "The exchange file and MIDI can still be written (--formats musicxml,midi)."


class WorkStopped(UndersongError):
    """A child process ran past its deadline, grew too large or died."""

    message = "this took too long and was stopped"
    remedy = "The file may be damaged; other files are not affected."

"""The command line: one door onto `workflow`. Each command is a few lines over one call.

Results go to standard output, progress and messages to standard error; progress is shown only on a
terminal. Exit codes: 0 done, 1 some file of several failed, 2 wrong usage, 3 nothing could be done,
130 interrupted.
"""

from __future__ import annotations

import gc
import json
import os
import re
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NoReturn

import click

from undersong import __version__
from undersong.errors import UndersongError

if TYPE_CHECKING:
    from undersong.model.accompaniment import Arrangement
    from undersong.model.hymn import Hymn
    from undersong.model.organ import Division, Organ
    from undersong.reading.midi_options import MidiOptions

DONE, SOME_FAILED, WRONG_USAGE, NOTHING_DONE, INTERRUPTED = 0, 1, 2, 3, 130

EXAMPLES = """
Examples:

\b
  undersong read hymn.musicxml
  undersong harmony hymn.musicxml --json
  undersong arrange hymn.mxl -o pages --texture broken,alberti
  undersong arrange *.musicxml -o sunday --key F --large
  undersong demo
  undersong open
"""


def main() -> NoReturn:
    """Run the command line; every failure is a sentence and an exit code, never a traceback."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # its threads cost more than our small arrays gain
    gc.set_threshold(100_000, 50, 50)  # a short run makes much and throws away little
    try:
        code = cli.main(standalone_mode=False)
        sys.exit(code if isinstance(code, int) else DONE)
    except click.exceptions.Exit as ended:
        sys.exit(ended.exit_code)
    except (click.Abort, KeyboardInterrupt):
        _say("Stopped. What was finished is kept; nothing is half-written.")
        sys.exit(INTERRUPTED)
    except click.ClickException as fault:
        fault.show()
        sys.exit(WRONG_USAGE)
    except UndersongError as fault:
        _say(f"undersong: {fault}")
        sys.exit(NOTHING_DONE)
    except BrokenPipeError:
        sys.stderr.close()  # whoever read us has gone; that is no failure of ours
        sys.exit(DONE)
    except OSError as fault:  # a name too long for the disk, a disk that is full or gone
        _say(f"undersong: {fault.filename or 'a file'}: {fault.strerror or fault}. Check the name and the disk.")
        sys.exit(NOTHING_DONE)


def _say(text: str) -> None:
    click.echo(text, err=True)


@click.group(epilog=EXAMPLES, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="undersong")
def cli() -> None:
    """Lay out hymns for the organ: a hymn file in, pages you can play from out.

    MusicXML (.musicxml, .xml, .mxl), ABC (.abc), MIDI (.mid), MEI (.mei) and Humdrum (.krn) go in:
    four parts, or a melody with or without chord symbols.
    Booklets (PDF), MusicXML, MIDI and SVG come out.
    """


# --- progress, files and failures ----------------------------------------------------------------


@contextmanager
def _progress() -> Iterator[Callable[[str], None]]:
    """A line of progress on a terminal; nothing in a pipe."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console  # noqa: PLC0415

    console = Console(stderr=True)
    with console.status("starting") as status:
        yield status.update


def _hymns(files: Sequence[Path], say: Callable[[str], None], failed: list[str]) -> Iterator[tuple[Path, Hymn, bool]]:
    """File, hymn, and whether the hymn is alone in its file."""
    from undersong import workflow  # noqa: PLC0415

    for file in files:
        say(f"reading {file.name}")
        try:
            found = workflow.read_all(file, _midi_given())
        except UndersongError as fault:
            _fail(fault.within(str(file)), failed)
            continue
        for refused in found.refused:
            _fail(refused.within(str(file)), failed)
        for hymn in found.hymns:
            yield file, hymn, len(found.hymns) + len(found.refused) == 1


def _fail(fault: UndersongError, failed: list[str]) -> None:
    failed.append(str(fault))
    _say(f"undersong: {fault}")


def _ended(done: int, failed: Sequence[str]) -> int:
    if failed:
        return SOME_FAILED if done else NOTHING_DONE
    return DONE


def _print_json(results: list[Any]) -> None:
    """One hymn is one object, several are a list in order."""
    click.echo(json.dumps(results[0] if len(results) == 1 else results, ensure_ascii=False, indent=1))


FILES = click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
JSON = click.option("--json", "as_json", is_flag=True, help="Print what was found as JSON.")


# --- what a MIDI file does not say ----------------------------------------------------------------


def _taken_down(
    read: Callable[[str], object], say: str
) -> Callable[[click.Context, click.Parameter, str | None], None]:
    def take(context: click.Context, option: click.Parameter, text: str | None) -> None:
        try:
            context.meta[f"undersong.{option.name}"] = None if text is None else read(text.strip())
        except (ValueError, ZeroDivisionError):
            raise click.BadParameter(f"{text!r} is not {say}") from None

    return take


def _time(text: str) -> object:
    from undersong.model.time import Time  # noqa: PLC0415

    time = Time.parse(text)
    if time.beats not in range(1, 33) or time.unit not in (1, 2, 4, 8, 16):
        raise ValueError(text)
    return time


def _key(text: str) -> object:
    from undersong.model.pitch import Key  # noqa: PLC0415

    return Key.parse(text)


def _beats(text: str) -> object:
    from fractions import Fraction  # noqa: PLC0415

    if not re.fullmatch(r"\d{1,3}(/0*[1-9]\d{0,2}|\.\d{1,4})?", text):
        raise ValueError(text)
    beats = Fraction(text)
    if not 0 <= beats <= 32:
        raise ValueError(text)
    return beats


def _midi_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options by which she tells what a MIDI file does not; `_midi_given` collects them."""
    for name, metavar, read, say, text in reversed(
        (
            ("--time", "3/4", _time, "a time such as 3/4", "Time of a MIDI file, if it is not found rightly."),
            ("--pickup", "BEATS", _beats, "a number of beats such as 1 or 1/2", "Beats of its upbeat (0 for none)."),
            ("--midi-key", "KEY", _key, "a key such as F or 'D minor'", "Its key, which is then believed."),
        )
    ):
        command = click.option(name, metavar=metavar, expose_value=False, callback=_taken_down(read, say), help=text)(
            command
        )
    return command


def _midi_given() -> MidiOptions:
    from undersong.reading.midi_options import MidiOptions  # noqa: PLC0415

    told = click.get_current_context().meta
    return MidiOptions(
        time=told.get("undersong.time"), key=told.get("undersong.midi_key"), pickup=told.get("undersong.pickup")
    )


# --- commands ------------------------------------------------------------------------------------


@cli.command()
@FILES
@JSON
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a clean copy to this file (.musicxml or .abc).",
)
@click.option("--four-parts", is_flag=True, help="Propose alto, tenor and bass where the hymn has none.")
@_midi_options
def read(files: tuple[Path, ...], as_json: bool, output: Path | None, four_parts: bool) -> int:
    """Show a hymn as it was understood: title, key, time, lines, verses, and what was assumed."""
    from undersong import workflow  # noqa: PLC0415
    from undersong.reading.report import read_json  # noqa: PLC0415

    if output is not None:
        workflow.writer_for(output)
        if any(output.resolve() == file.resolve() for file in files):
            raise click.UsageError("That would overwrite the hymn itself; name another file with -o.")
    hymns: list[Hymn] = []
    results: list[Any] = []
    failed: list[str] = []
    with _progress() as say:
        for file, hymn, _ in _hymns(files, say, failed):
            harmony = workflow.harmonise(hymn).harmony
            shown = workflow.in_four_parts(hymn).hymn if four_parts else hymn
            result = read_json(shown, str(harmony.key), harmony.mode)
            results.append(result)
            hymns.append(shown)
            if not as_json:
                _show_hymn(file, result)
    if output is not None and hymns:
        _say(f"written: {workflow.save(hymns, output)}")
    if as_json and results:
        _print_json(results)
    return _ended(len(results), failed)


def _key_said(facts: dict[str, Any]) -> str:
    """The key in the words of the page."""
    from undersong.model.pitch import Key, key_words  # noqa: PLC0415

    return key_words(Key.parse(facts["key"]), facts["mode"])


def _show_hymn(file: Path, facts: dict[str, Any]) -> None:
    pickup = f", pickup of {facts['pickup']} quarter notes" if facts["pickup"] else ""
    rows = [
        ("tune", facts["tune_name"]),
        ("metre", facts["metre"]),
        ("key", _key_said(facts)),
        ("time", ", ".join(facts["times"])),
        ("range", " to ".join(facts["range"])),
        ("bars", f"{facts['bars']}{pickup}"),
        ("voices", ", ".join(facts["voices"])),
        ("sung", f"bars {', then '.join(facts['sung'])}" if len(facts["sung"]) > 1 else ""),
        *((f"line {count}", _line_of(one)) for count, one in enumerate(facts["line_list"], 1)),
        *((f"verse {one['number']}", _verse_of(one)) for one in facts["verse_list"]),
        ("refrain", f"from {facts['refrain']}" if facts["refrain"] else ""),
        ("chord symbols", str(facts["chord_symbols"] or "none")),
        ("words by", facts["author"]),
        ("translated by", facts["translator"]),
        ("music by", facts["composer"]),
        ("arranged by", facts["arranger"]),
        ("rights", facts["rights"]),
        ("rights, words", facts["text_rights"] if facts["text_rights"] != facts["rights"] else ""),
        *(("assumed", _placed(one)) for one in facts["assumed"]),
        *(("left out", _placed(one)) for one in facts["left_out"]),
    ]
    click.echo(f"{facts['title']}  [{file.name}]")
    for name, value in rows:
        if value:
            click.echo(f"  {name:14} {value}")


def _line_of(one: dict[str, str]) -> str:
    return f"{one['place']}: {one['words']}" if one["words"] else one["place"]


def _verse_of(one: dict[str, Any]) -> str:
    own = f" (passages in a rhythm of its own: {one['own_rhythms']})" if one["own_rhythms"] else ""
    return f"{one['first_words']}...{own}"


def _placed(one: dict[str, str]) -> str:
    return f"{one['place']}: {one['what']}" if one["place"] else one["what"]


@cli.command()
@FILES
@click.option(
    "--set",
    "settings",
    multiple=True,
    metavar="BAR.BEAT=CHORD",
    help="Correct a chord, as in 7.3=Am/C; kept in a file beside the hymn and used from then on.",
)
@click.option(
    "--guitarist", type=click.Choice(["beat", "bar"]), help="The guitarist's chords instead: one a beat, or one a bar."
)
@click.option("--doubtful", is_flag=True, help="Show the doubtful chords first, the least sure at the top.")
@JSON
@_midi_options
def harmony(
    files: tuple[Path, ...],
    settings: tuple[str, ...],
    guitarist: Literal["beat", "bar"] | None,
    doubtful: bool,
    as_json: bool,
) -> int:
    """Show the chords of a hymn: printed symbols, or read from the parts, or yours.

    A correction belongs to its place in the tune: it survives another key, an inserted bar, a repeat
    that is written out. It stands in FILE.edits.toml, where you can read it and take it back.

    The guitarist's chords leave out what only passes. Where they would clash with the organ's on a
    beat, you are told.
    """  # fmt: skip
    from undersong import workflow  # noqa: PLC0415
    from undersong.harmony.report import harmony_json  # noqa: PLC0415

    if settings and len(files) > 1:
        raise click.UsageError("--set corrects one hymn at a time.")
    results: list[Any] = []
    failed: list[str] = []
    with _progress() as say:
        for file, hymn, alone in _hymns(files, say, failed):
            try:
                if settings and not alone:
                    raise click.UsageError("--set needs a file with one hymn; write the tune out first with read -o.")
                if settings:
                    workflow.correct(file, hymn, settings)
                heard = workflow.harmonise(hymn, workflow.corrections(file, alone=alone))
            except UndersongError as fault:
                _fail(fault.within(str(file)), failed)
                continue
            thinned = workflow.guitarist(hymn, heard.harmony, guitarist) if guitarist else None
            result = harmony_json(hymn, heard.harmony, thinned)
            results.append(result)
            for remark in heard.remarks():
                _say(f"{file.name}: {remark}")
            if not as_json:
                _show_harmony(result, doubtful_first=doubtful)
    if as_json and results:
        _print_json(results)
    return _ended(len(results), failed)


def _show_harmony(result: dict[str, Any], *, doubtful_first: bool) -> None:
    click.echo(f"{result['title']}: {_key_said(result)}")
    shown = result.get("guitarist", result)
    if shown is not result:
        click.echo(f"  guitarist's chords, one a {shown['unit']}:")
    if doubtful_first:
        doubtful = sorted((one for one in shown["chords"] if one["doubtful"]), key=lambda one: one["confidence"])
        click.echo("  doubtful, the least sure first:" if doubtful else "  no chord is doubtful.")
        _show_chords(doubtful, every_bar=True)
        click.echo("  all chords:")
    _show_chords(shown["chords"])
    for one in shown.get("findings", ()):
        place = _place_words(one["bar"], one["beat"])
        click.echo(f"  {place}: {WEIGHT_WORDS[one['weight']]}: {one['message']}")
    for remedy in dict.fromkeys(one["remedy"] for one in shown.get("findings", ())):
        click.echo(f"  {remedy}")


def _show_chords(chords: Sequence[dict[str, Any]], *, every_bar: bool = False) -> None:
    from undersong.model.harmony import ORIGINS  # noqa: PLC0415

    bar = None
    for chord in chords:
        place = f"bar {chord['bar']}" if every_bar or chord["bar"] != bar else ""
        bar = chord["bar"]
        click.echo(
            f"  {place:8} beat {chord['beat']:5} {chord['symbol']:10} {chord['numeral']:10} "
            f"{ORIGINS[chord['origin']]}{', doubtful' if chord['doubtful'] else ''}"
        )


def _verse_numbers(_: click.Context, __: click.Parameter, text: str | None) -> tuple[int, ...]:
    try:
        return tuple(int(part) for part in text.split(",")) if text else ()
    except ValueError:
        raise click.BadParameter("write verse numbers with commas, as in 1,3,5") from None


def _names(known: Sequence[str]) -> Callable[[click.Context, click.Parameter, Sequence[str]], tuple[str, ...]]:
    def split(_: click.Context, __: click.Parameter, given: Sequence[str]) -> tuple[str, ...]:
        names = tuple(name.strip() for text in given for name in text.split(",") if name.strip())
        for name in names:
            if name not in known:
                raise click.BadParameter(f"{name!r} is not one of {', '.join(known)}")
        return names

    return split


TEXTURE_NAMES = (
    "as-printed", "soloed", "block", "broken", "alberti", "held", "bass-and-chord", "strummed", "shared",
    "counter-line", "descant", "drone", "unison", "two-voices", "three-voices",
)  # fmt: skip
PATTERN_NAMES = ("up-and-back", "falling", "rolling", "low-and-pair", "slow", "triplets", "flowing")
TEXTURES_ASKED = (*TEXTURE_NAMES, *(f"broken:{name}" for name in PATTERN_NAMES))
REACHES = ("small", "medium", "large")
TUNE_PLACES = ("at-pitch", "octave-up", "tenor", "pedal", "pedal-8", "bass")
FORMAT_NAMES = ("pdf", "musicxml", "midi", "svg")


USUAL_ORGAN, USUAL_ROOM = "two-manuals", "average"


def _place_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options by which she names her organ, her room and how she plays; `_placed_wishes` reads them."""
    for option in (
        click.option("--hold", type=click.IntRange(0, 8), default=0, metavar="BEATS", help="Lengthen each fermata."),
        click.option(
            "--touch", type=click.Choice(["more-connected", "usual", "less-connected"]), default="usual",
            help="How closely notes follow each other; the room decides the rest.",
        ),
        click.option("--character", type=click.Choice(["quiet", "usual", "festive"]), default="usual",
                     help="Makes the pace slower or faster where none is printed."),
        click.option("--singers", type=click.IntRange(0, 20_000), metavar="N", help="How many sing."),
        click.option("--room", metavar="NAME|SECONDS|FILE", default=USUAL_ROOM, show_default=True,
                     help="dry, average, live, very-live, seconds of reverberation, or a file of yours."),
        click.option("--without-feet", is_flag=True, help="Hands alone, whatever the organ has."),
        click.option("--reach", type=click.Choice(REACHES), default="medium", show_default=True,
                     help="How far one hand reaches: small an octave, medium a ninth, large a tenth."),
        click.option("--organ", metavar="NAME|FILE", default=USUAL_ORGAN, show_default=True,
                     help="Your organ: a ready-made one (undersong organ list) or a file of yours."),
    ):  # fmt: skip
        command = option(command)
    return command


DIPS = {"more-connected": 1.5, "usual": 2.0, "less-connected": 3.0}


def _placed_wishes(given: dict[str, Any]) -> dict[str, Any]:
    """Names of organ, room and touch turned into what they mean."""
    from dataclasses import replace  # noqa: PLC0415
    from fractions import Fraction  # noqa: PLC0415

    from undersong.model.player import PLAYERS  # noqa: PLC0415
    from undersong.performing.touch import Touch  # noqa: PLC0415

    turned = ("organ", "room", "singers", "touch", "hold", "reach", "without_feet")
    rest = {name: value for name, value in given.items() if name not in turned}
    if given["organ"] != USUAL_ORGAN or given["room"] != USUAL_ROOM or given["singers"] is not None:
        from undersong.library.organfile import find_organ, find_room  # noqa: PLC0415  # most take the usual ones

        rest |= {"organ": find_organ(given["organ"]), "room": find_room(given["room"], given["singers"])}
    player = PLAYERS[given["reach"]]
    return rest | {
        "player": replace(player, pedals="none") if given["without_feet"] else player,
        "touch": Touch(dip_db=DIPS[given["touch"]], hold_beats=Fraction(given["hold"])),
    }


class _Listed(click.ParamType[Any]):
    """Names from a list, one or several with commas; completed by the shell."""

    name = "name"

    def __init__(self, known: Sequence[str]) -> None:
        self.known = known

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[Any]:  # noqa: ARG002
        """Offer the names that begin so."""
        from click.shell_completion import CompletionItem  # noqa: PLC0415

        return [CompletionItem(name) for name in self.known if name.startswith(incomplete)]


@cli.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="FILE...")
@click.option(
    "-o", "--output", "folder", type=click.Path(path_type=Path, file_okay=False), help="Folder for the pages."
)
@click.option(
    "--texture",
    "textures",
    multiple=True,
    type=_Listed(TEXTURES_ASKED),
    callback=_names(TEXTURES_ASKED),
    metavar="NAME[:PATTERN],...",
    help="Textures for the verses in turn; without it the program plans them.",
)
@click.option("--textures", "list_textures", is_flag=True, help="List all textures and what they need.")
@click.option("--rules", "list_rules", is_flag=True, help="List the rules that every verse is judged by.")
@click.option("--tune", type=click.Choice(TUNE_PLACES), help="Where the tune lies.")
@click.option("--inner-pedal", is_flag=True, help="Hold tones common to three chords or more in one inner voice.")
@click.option("--verses", callback=_verse_numbers, metavar="1,3,5", help="Only these verses.")
@click.option("--transpose", type=click.IntRange(-12, 12), default=0, metavar="N", help="Up or down N semitones.")
@click.option("--key", default="", metavar="K", help="Into this key: Eb, F#, 'D minor'.")
@_place_options
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True)
@click.option("--large", is_flag=True, help="Large print.")
@click.option(
    "--formats",
    multiple=True,
    type=_Listed(FORMAT_NAMES),
    callback=_names(FORMAT_NAMES),
    metavar="NAME,...",
    help="Any of pdf, musicxml, midi, svg. [default: pdf,musicxml,midi]",
)
@JSON
@_midi_options
def arrange(
    files: tuple[Path, ...],
    folder: Path | None,
    textures: tuple[str, ...],
    list_textures: bool,
    list_rules: bool,
    as_json: bool,
    formats: tuple[str, ...],
    paper: str,
    large: bool,
    **wishes: Any,
) -> int:
    """Lay out the verses of a hymn for two hands and feet, and print them.

    Each verse gets its texture; what cannot be played is mended and told. Without -o nothing is
    written, and what there is to say is shown.
    """  # fmt: skip
    if list_textures:
        return _show_textures(as_json=as_json)
    if list_rules:
        return _show_rules(as_json=as_json)
    if not files:
        raise click.UsageError("Name at least one hymn file, or ask for --textures or --rules.")
    if wishes["key"] and wishes["transpose"]:
        raise click.UsageError("Give --key or --transpose, not both.")
    from undersong import workflow  # noqa: PLC0415

    asked = workflow.Wishes(textures=textures, **_placed_wishes(wishes))
    output = workflow.Output(folder, formats or ("pdf", "musicxml", "midi"), paper, large) if folder else None
    return _arrange(files, asked, output, as_json=as_json)


def _arrange(files: Sequence[Path], wishes: Any, output: Any, *, as_json: bool) -> int:
    from undersong import workflow  # noqa: PLC0415
    from undersong.arranging.report import arrangement_json  # noqa: PLC0415

    results: list[Any] = []
    failed: list[str] = []
    names: list[str] = []
    done = 0
    with workflow.Writer(output or workflow.Output(Path(), ())) as writer, _progress() as say:
        for file, hymn, alone in _hymns(files, say, failed):
            try:
                say(f"laying out {hymn.title}")
                arrangement = workflow.lay_out(hymn, wishes, workflow.corrections(file, alone=alone))
                names.append(workflow.file_name(hymn.title or file.stem, names))
                written = [str(path) for path in writer.write(arrangement, names[-1], say, wishes)] if output else []
            except UndersongError as fault:
                _fail(fault.within(str(file)), failed)
                continue
            done += 1
            if as_json:
                results.append(arrangement_json(arrangement, written))
            else:
                _show_arrangement(arrangement, written)
    if results:
        _print_json(results)
    if done and not output and not as_json:
        click.echo("Nothing was written; -o FOLDER writes the pages.")
    return _ended(done, failed)


def _show_textures(*, as_json: bool) -> int:
    from undersong.arranging.report import textures_json  # noqa: PLC0415
    from undersong.textures.table import TEXTURES  # noqa: PLC0415

    rows = textures_json()
    if as_json:
        click.echo(json.dumps(rows, ensure_ascii=False, indent=1))
        return DONE
    for row in rows:
        title = TEXTURES[row["name"]].title
        click.echo(f"{row['name']:16}{title}: {row['what']}\n{'':16}needs {row['needs']}")
        for pattern in row["patterns"]:
            click.echo(f"{'':16}{row['name']}:{pattern['name']}: {pattern['what']}")
    return DONE


def _show_rules(*, as_json: bool) -> int:
    from undersong.arranging.report import rules_json  # noqa: PLC0415

    rows = rules_json()
    if as_json:
        click.echo(json.dumps(rows, ensure_ascii=False, indent=1))
        return DONE
    for row in rows:
        click.echo(f"{row['number']:4}{WEIGHT_WORDS[row['weight']]:18}{row['asks']}")
    return DONE


QUIET = ("redistributed",)
"""Told on the page, not here."""
WEIGHT_WORDS = {"hard": "cannot be played", "soft": "please look", "note": "told"}


def _place_words(number: str, beat: str) -> str:
    from fractions import Fraction  # noqa: PLC0415

    from undersong.model.tune import show_beat  # noqa: PLC0415

    if number == "0":
        return "pickup"
    return f"bar {number}, beat {show_beat(Fraction(beat))}"


def _show_arrangement(arrangement: Arrangement, written: Sequence[str]) -> None:
    from undersong.model.pitch import key_words  # noqa: PLC0415
    from undersong.textures.places import PLACES  # noqa: PLC0415
    from undersong.textures.table import TEXTURES  # noqa: PLC0415

    click.echo(f"{arrangement.title} ({key_words(arrangement.key, arrangement.mode)})")
    for section in arrangement.sections:
        place = "" if section.tune == "at-pitch" else f", {PLACES[section.tune].says}"
        hands = f"r.h. {section.right}, l.h. {section.left}, ped. {section.feet}"
        click.echo(f"  {section.name}: {TEXTURES[section.texture].title}{place}; {hands}")
        actual = "; ".join(f"{division}: {stops}" for division, stops in section.registration.actual)
        click.echo(f"    {section.registration.generic}")
        click.echo(f"    {actual}")
        offers: list[Any] = []
        for one in arrangement.findings:
            if one.section == section.id and one.kind == "inner-pedal-offered":
                offers.append(one)
            elif one.section == section.id and one.told != "data" and one.kind not in QUIET:
                click.echo(f"    {_place_words(one.bar, one.beat)}: {WEIGHT_WORDS[one.weight]}: {one.message}")
        if offers:
            bars = list(dict.fromkeys(one.bar for one in offers[1:]))
            like = f"; others from bar{'s' if len(bars) > 1 else ''} {', '.join(bars)}" if bars else ""
            place = _place_words(offers[0].bar, offers[0].beat)
            click.echo(f"    --inner-pedal: {place}: {offers[0].message}{like}")
    for path in written:
        click.echo(f"  wrote {path}")


@cli.command()
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo-pages"),
    show_default=True,
    help="Folder for the pages.",
)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True)
@click.option("--large", is_flag=True, help="Large print.")
@JSON
def demo(folder: Path, paper: str, large: bool, as_json: bool) -> int:
    """Lay out the hymns of an invented parish, to see what comes out."""
    from undersong import workflow  # noqa: PLC0415
    from undersong.demo import hymn_files  # noqa: PLC0415

    output = workflow.Output(folder, FORMAT_NAMES[:3], paper, large)
    code = _arrange(hymn_files(), workflow.Wishes(), output, as_json=as_json)
    if not as_json:
        click.echo(f"Now try them in the browser, or your own hymns: {_called()} open")
    return code


def _called() -> str:
    """How this program was called, so that the line can be copied."""
    called = Path(sys.argv[0])
    return "undersong" if called.name != "undersong" or shutil.which("undersong") else str(called)


# --- sound ---------------------------------------------------------------------------------------

CAUTION = "Start with the volume low and turn it up slowly: an organ has no soft first note. Protect your hearing."


def _bars(_: click.Context, __: click.Parameter, text: str | None) -> tuple[str, str] | None:
    if text is None:
        return None
    first, dash, last = text.partition("-")
    if not first.strip() or (dash and not last.strip()):
        raise click.BadParameter("write bars as in 5-8, or one bar as in 7")
    return first.strip(), (last or first).strip()


def _sound_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """What both `listen` and `practise` take: which verse laid out how, where, and the file."""
    for option in (
        JSON,
        click.option("-o", "--output", type=click.Path(path_type=Path, dir_okay=False), required=True,
                     help="The sound file: .flac, .wav or .ogg."),
        _place_options,
        click.option("--key", default="", metavar="K", help="Into this key: Eb, F#, 'D minor'."),
        click.option("--transpose", type=click.IntRange(-12, 12), default=0, metavar="N", help="Semitones up or down."),
        click.option("--tune", type=click.Choice(TUNE_PLACES), help="Where the tune lies."),
        click.option("--texture", "textures", multiple=True, type=_Listed(TEXTURE_NAMES),
                     callback=_names(TEXTURE_NAMES), metavar="NAME,...", help="Textures for the verses in turn."),
        click.option("--bars", callback=_bars, metavar="A-B", help="Only these printed bars."),
        click.option("--section", "sections", multiple=True, metavar="NAME", help="verse-2, or 2; may be repeated."),
        click.argument("file", type=click.Path(path_type=Path)),
    ):  # fmt: skip
        command = option(command)
    return _midi_options(command)


@cli.command()
@_sound_options
@click.option(
    "--as",
    "as_what",
    type=click.Choice(["arranged", "printed", "both"]),
    default="arranged",
    show_default=True,
    help="The arrangement, the hymn as printed, or one after the other.",
)
@click.option("--tremulant", "tremulants", multiple=True, metavar="DIVISION", help="Draw the tremulant of a division.")
def listen(file: Path, as_what: str, output: Path, as_json: bool, **asked: Any) -> int:
    """Hear a hymn on your organ in your church, or on a ready-made one.

    \b
      undersong listen hymn.musicxml --section 2 --texture broken --organ mine.toml --room live -o verse2.flac
      undersong listen hymn.musicxml --bars 1-4 --as both -o compare.ogg

    Start with the volume low and turn it up slowly; protect your hearing.
    """  # fmt: skip  # noqa: D301  # click wants the character
    hearing = {name: asked.pop(name) for name in ("sections", "bars")}
    hearing["tremulants"] = frozenset(asked.pop("tremulants"))
    both: dict[str, list[dict[str, Any]]] = {"arranged": [{}], "printed": [AS_PRINTED], "both": [AS_PRINTED, {}]}
    ways = both[as_what]
    return _sound(file, output, asked, hearing, ways, as_json=as_json)


AS_PRINTED: dict[str, Any] = {"textures": ("as-printed",), "tune": "at-pitch"}
PART_NAMES = ("right", "left", "feet", "tune", "soprano", "alto", "tenor", "bass")


@cli.command()
@_sound_options
@click.option(
    "--only",
    multiple=True,
    type=_Listed(PART_NAMES),
    callback=_names(PART_NAMES),
    metavar="PART,...",
    help="Only these: right, left, feet, tune, or a voice (soprano, alto, tenor, bass).",
)
@click.option(
    "--without",
    multiple=True,
    type=_Listed(PART_NAMES),
    callback=_names(PART_NAMES),
    metavar="PART,...",
    help="Everything but these.",
)
@click.option(
    "--pace", "per_cent", type=click.IntRange(25, 120), default=100, show_default=True, help="Per cent of the pace."
)
@click.option("--loop", "times", type=click.IntRange(1, 50), default=1, show_default=True, help="How often.")
@click.option("--count-in/--no-count-in", default=True, show_default=True, help="Count a bar before each time.")
@click.option("--click", is_flag=True, help="Click on every beat.")
@click.option(
    "--as", "as_what", type=click.Choice(["arranged", "printed"]), help="By default arranged; voices printed."
)
def practise(file: Path, as_what: str | None, output: Path, as_json: bool, **asked: Any) -> int:
    """Practise: some bars over and over, slowly, one hand or the feet missing, or a voice alone for the choir.

    \b
      undersong practise hymn.musicxml --section 2 --bars 5-8 --loop 4 --pace 60 --without right -o slow.flac
      undersong practise hymn.musicxml --only left,feet --click -o pair.flac
      undersong practise hymn.musicxml --only alto -o altos.ogg

    The pitch stays the same at every pace. Start with the volume low; protect your hearing. Rest before a hand tires.
    """  # fmt: skip  # noqa: D301  # click wants the character
    names = ("sections", "bars", "only", "without", "per_cent", "times", "count_in", "click")
    hearing = {name: asked.pop(name) for name in names}
    voices = {"soprano", "alto", "tenor", "bass"} & {*hearing["only"], *hearing["without"]}
    printed = as_what == "printed" or (as_what is None and bool(voices) and not asked["textures"])
    return _sound(file, output, asked, hearing, [AS_PRINTED if printed else {}], as_json=as_json)


def _sound(
    file: Path, output: Path, asked: dict[str, Any], hearing: dict[str, Any], ways: Sequence[dict[str, Any]], *,
    as_json: bool,
) -> int:  # fmt: skip
    from undersong import workflow  # noqa: PLC0415

    if asked["key"] and asked["transpose"]:
        raise click.UsageError("Give --key or --transpose, not both.")
    workflow.sound_kind(output)
    if output.resolve() == file.resolve():
        raise click.UsageError("That would overwrite the hymn itself; name another file with -o.")
    failed: list[str] = []
    with _progress() as say:
        found = list(_hymns([file], say, failed))
        if len(found) > 1:
            raise click.UsageError("This file holds several hymns; write one out first with read -o.")
        for source, hymn, alone in found:
            wishes = [workflow.Wishes(**(_placed_wishes(asked) | way)) for way in ways]
            edits = workflow.corrections(source, alone=alone)
            say(f"laying out {hymn.title}")
            laid = [workflow.lay_out(hymn, one, edits) for one in wishes]
            seconds = workflow.listen(laid, wishes[-1], workflow.Hearing(**hearing), output, say)
            if as_json:
                click.echo(json.dumps({"format": 1, "title": hymn.title, "file": str(output),
                                       "seconds": round(seconds, 3)}, ensure_ascii=False))  # fmt: skip
            else:
                click.echo(f"{hymn.title}: wrote {output} ({seconds:.0f} s)")
                _say(CAUTION)
    return _ended(1 - len(failed), failed)


# --- organs and rooms ----------------------------------------------------------------------------


@cli.group()
def organ() -> None:
    """Organs and rooms: the ready-made ones, and yours as a text file.

    An organ is a TOML file that you can edit: stops are written as on their knobs. Begin from a
    ready-made one: undersong organ show two-manuals --toml > mine.toml
    """


@organ.command("list")
@JSON
def list_organs(as_json: bool) -> int:
    """List the ready-made organs and rooms."""
    from undersong.library.organfile import find_organ, ready_names  # noqa: PLC0415
    from undersong.model.room import ROOMS  # noqa: PLC0415

    organs = [(name, find_organ(name)) for name in ready_names()]
    if as_json:
        rooms = [{"name": name, "seconds": room.seconds} for name, room in ROOMS.items()]
        rows = [{"name": name, "what": one.name} for name, one in organs]
        click.echo(json.dumps({"format": 1, "organs": rows, "rooms": rooms}, ensure_ascii=False, indent=1))
        return DONE
    click.echo("organs (--organ NAME, or a file of yours)")
    for name, one in organs:
        click.echo(f"  {name:22} {one.name}, {sum(len(division.stops) for division in one.divisions)} stops")
    click.echo("rooms (--room NAME, seconds of reverberation, or a file of yours)")
    for name, room in ROOMS.items():
        click.echo(f"  {name:22} {room.seconds:g} s")
    return DONE


ORGAN_ARGUMENT = click.argument("name", metavar="NAME|FILE")


@organ.command("show")
@ORGAN_ARGUMENT
@click.option("--toml", "as_toml", is_flag=True, help="Print the file itself, to edit.")
@JSON
def show_organ(name: str, as_toml: bool, as_json: bool) -> int:
    """Show an organ: keyboards, stops as they were understood, couplers."""
    from undersong.library.organfile import find_organ, organ_source, remarks  # noqa: PLC0415
    from undersong.model.codec import encode  # noqa: PLC0415

    found = find_organ(name)
    if as_toml:
        click.echo(organ_source(name).read_text(encoding="utf-8"), nl=False)
    elif as_json:
        facts = {"format": 1, "organ": encode(found), "remarks": list(remarks(found))}
        click.echo(json.dumps(facts, ensure_ascii=False, indent=1))
    else:
        _show_organ(found, remarks(found))
    return DONE


def _show_organ(found: Organ, said: Sequence[str]) -> None:
    click.echo(f"{found.name}\n  a = {found.a4_hz:g} Hz, {found.temperament} temperament")
    for division in reversed(found.divisions[: len(found.manuals)]):
        _show_division(division)
    if found.pedal is not None:
        _show_division(found.pedal)
    for label, names in (
        ("couplers", [f"{source} to {keyboard}" for source, keyboard in found.couplers]),
        ("pistons", found.pistons),
    ):
        if names:
            click.echo(f"  {label}: {', '.join(names)}")
    for one in said:
        click.echo(f"  note: {one}")


def _show_division(division: Division) -> None:
    from undersong.playing.check import key_name  # noqa: PLC0415

    box = ", in a box" if division.enclosed else ""
    click.echo(
        f"  {division.name} ({division.keys} keys, {key_name(division.lowest)} to {key_name(division.highest)}{box})"
    )
    for stop in division.stops:
        kind = " ".join(part for part in (stop.variety, stop.family) if part)
        begins = f", from {key_name(stop.lowest)}" if stop.lowest else ""
        state = f", {stop.state}" if stop.state != "sound" else ""
        click.echo(f"    {stop!s:28} {kind}, loudness {stop.level} of 5{begins}{state}")


@organ.command("check")
@click.argument("names", nargs=-1, required=True, metavar="FILE...")
@JSON
def check_organ(names: tuple[str, ...], as_json: bool) -> int:
    """Check files of organs and rooms: say what is wrong and where, or what was understood."""
    from undersong.library.organfile import organ_source, read_organ_file, remarks  # noqa: PLC0415

    failed: list[str] = []
    results: list[Any] = []
    for name in names:
        try:
            found = read_organ_file(organ_source(name))
        except UndersongError as fault:
            _fail(fault.within(name), failed)
            continue
        said = remarks(found.organ) if found.organ else ()
        results.append({"file": name, "organ": found.organ and found.organ.name, "remarks": list(said)})
        if not as_json:
            parts = [f"{sum(len(one.stops) for one in found.organ.divisions)} stops understood"] if found.organ else []
            parts += [f"room of {found.room.seconds:g} s"] if found.room else []
            click.echo(f"{name}: {', '.join(parts)}")
            for one in said:
                click.echo(f"  note: {one}")
    if as_json and results:
        _print_json(results)
    return _ended(len(results), failed)


@organ.command("hear-room")
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING...")
@JSON
def hear_room(recordings: tuple[Path, ...], as_json: bool) -> int:
    """Learn how long your church rings, from one or more recordings of a loud full chord cut off.

    Draw the full organ, hold a chord of both hands and a pedal note for two seconds, let go at once, and record until
    the church is silent; six chords are better than one. What is printed goes into your organ's file.
    Ears first: stand in the nave, not at the pipes, and protect your hearing.
    """
    from undersong import workflow  # noqa: PLC0415

    heard = workflow.hear_room(recordings)
    if as_json:
        facts: dict[str, Any] = {"reverberation": {str(band): value for band, value in heard.reverberation}}
        facts |= {"spread": round(heard.spread, 3), "expected_error": heard.expected_error}
        click.echo(json.dumps({"format": 1, **facts}))
        return DONE
    bands = ", ".join(f"{band} = {value:g}" for band, value in heard.reverberation)
    click.echo(f'[room]\nname = "heard"\nreverberation = {{ {bands} }}')
    click.echo(f"# from {heard.count} recordings; to be expected: {heard.expected_error}")
    if heard.count > 1:
        click.echo(f"# they differ by {100 * heard.spread:.0f} % from one another")
    return DONE


@organ.command("hear-stop")
@click.argument("stop")
@click.argument("recordings", nargs=-1, required=True, metavar="KEY=RECORDING...")
@click.option(
    "--organ", "organ_name", default="two-manuals", metavar="NAME|FILE", help="For its pitch and temperament."
)
@JSON
def hear_stop(stop: str, recordings: tuple[str, ...], organ_name: str, as_json: bool) -> int:
    """Learn how bright a stop is, from recordings of held notes.

    \b
      undersong organ hear-stop "Oboe 8" C4=o1.wav D4=o2.wav E4=o3.wav F4=o4.wav G4=o5.wav

    Five neighbouring keys at three places in the nave each (name a key again for another place) are good, one note is a
    guess. What is printed goes among the stops of your organ's file. How loud the stop is you judge yourself (level).
    """  # fmt: skip  # noqa: D301  # click wants the character
    from undersong import workflow  # noqa: PLC0415

    heard = workflow.hear_stop(stop, recordings, organ_name)
    if as_json:
        facts = {"slopes": list(heard.slopes), "levels_db": list(heard.levels_db)}
        click.echo(json.dumps({"format": 1, "stop": stop, **facts, "expected_error": heard.expected_error}))
        return DONE
    slopes = ", ".join(f"{one:g}" for one in heard.slopes)
    click.echo(f'{{ name = "{stop}", slopes = [{slopes}] }}')
    click.echo(f"# from {heard.recordings} recordings of {heard.notes} keys; to be expected: {heard.expected_error}")
    return DONE


@cli.command(name="open")
@click.option("--port", type=click.IntRange(1, 65535), help="Port on this machine. [default: one that is free]")
@click.option("--no-browser", is_flag=True, help="Do not open the browser; say where the page is.")
@click.option("--lan", is_flag=True, help="Also answer a tablet in the same network, which needs a code shown here.")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for your hymns. [default: Undersong in your documents]",
)
def open_page(port: int | None, no_browser: bool, lan: bool, folder: Path | None) -> int:
    """Open Undersong in the browser: a page of its own for each hymn.

    It runs on this machine alone and fetches nothing from elsewhere. Your hymns are kept in a plain folder.
    """  # fmt: skip
    from undersong import workflow  # noqa: PLC0415
    from undersong.web.serve import serve  # noqa: PLC0415

    try:
        serve(folder or workflow.home(), port, lan=lan, browser=not no_browser, say=_say)
    except KeyboardInterrupt:
        _say("Undersong is closed. Everything you changed is kept.")
        return INTERRUPTED
    return DONE


@cli.command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion(shell: str) -> int:
    """Print what your shell needs to complete undersong's words.

    For bash: undersong completion bash >> ~/.bashrc
    """
    from click.shell_completion import get_completion_class  # noqa: PLC0415

    kind = get_completion_class(shell)
    assert kind is not None
    click.echo(kind(cli, {}, "undersong", "_UNDERSONG_COMPLETE").source())
    return DONE


if __name__ == "__main__":
    main()

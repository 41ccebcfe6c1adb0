"""Lay out every verse of a plan: propose, judge, mend once.

Conventions: section time in quarter notes; keys are MIDI numbers.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from undersong.arranging.figured import ground_of, lay_figure
from undersong.arranging.plain import away_from_tonic, lay_plain
from undersong.arranging.plans import GENERIC, hands, pace_for
from undersong.arranging.printed import lay_printed
from undersong.arranging.walked import WalkedVerse, another_verse, walk_verse
from undersong.errors import UnknownName
from undersong.model.accompaniment import Accompaniment, Arrangement, Registration
from undersong.model.finding import Finding
from undersong.model.harmony import Harmony
from undersong.model.hymn import Hymn
from undersong.model.organ import Organ
from undersong.model.pitch import UNISON, Key
from undersong.model.plan import Plan, VersePlan
from undersong.model.player import Player
from undersong.model.tune import show_beat
from undersong.playing.check import key_name, tell
from undersong.textures.patterns import BLOCK
from undersong.textures.places import PLACES
from undersong.textures.table import TEXTURES, Refusal, Texture
from undersong.textures.units import is_dense, slot_length

TUNE_TOO_LOW = 60
LOW_TENOR = 45
SHORTEST_FOR_FEET_SECONDS = 0.28
"""Shortest note for a melody in the feet (assumed; one foot needs 0.31 s for a third, two feet less)."""
MOST_BEATS_AWAY = 2
"""How long the harmony may leave the tonic over a drone (common practice, no source)."""
TUNE_TOO_LOW_SHARE = Fraction(1, 5)


def arrange(hymn: Hymn, harmony: Harmony, plan: Plan, organ: Organ, player: Player) -> Arrangement:
    """Lay out the verses of a plan.

    Never fails on a readable hymn: what a texture cannot serve is laid out in another one, and
    a finding says so. UnknownName for a texture or verse that does not exist.
    """
    stays = plan.transpose == UNISON
    tune_moved = hymn if stays else replace(hymn, tune=hymn.tune.transposed(plan.transpose))
    moved = harmony if stays else harmony.transposed(plan.transpose)
    sections: list[Accompaniment] = []
    findings: list[Finding] = []
    walked: dict[int | None, WalkedVerse] = {}
    plain = not any(verse.rhythms for verse in hymn.text.verses)
    for verse_plan in plan.verses:
        if verse_plan.texture not in TEXTURES:
            known = ", ".join(TEXTURES)
            raise UnknownName(f"there is no texture {verse_plan.texture!r}", remedy=f"Choose one of: {known}.")
        if verse_plan.verse not in walked:
            verse = next((one for one in hymn.text.verses if one.number == verse_plan.verse), None)
            if verse is None and verse_plan.verse is not None:
                raise UnknownName(f"{hymn.title} has no verse {verse_plan.verse}")
            before = next(iter(walked.values()), None)
            if before is not None and plain and verse is not None and not verse.rhythms:
                walked[verse_plan.verse] = another_verse(before, tune_moved, verse)
            else:
                walked[verse_plan.verse] = walk_verse(tune_moved, moved, verse)
        section, told = _verse(walked[verse_plan.verse], moved, verse_plan, organ, player, _name(verse_plan, sections))
        sections.append(section)
        findings += told
    findings += _unknown_symbols(sections, moved)
    if any(span.origin == "proposed" for span in harmony.spans):
        findings += [tell(section, "harmony-proposed", section.bars[0].start) for section in sections]
    return Arrangement(
        hymn.title, hymn.tune_name, hymn.text.metre, moved.key, plan, tuple(sections), tuple(findings),
        _credits(hymn),
        hymn.rights or hymn.text.rights,
    )  # fmt: skip


def _credits(hymn: Hymn) -> tuple[str, ...]:
    """Who made words, tune and setting, as a hymnal says it."""
    named = (
        ("Words", hymn.text.author), ("translated by", hymn.text.translator), ("Tune", hymn.composer),
        ("Setting", hymn.arranger),
    )  # fmt: skip
    return tuple(f"{what}: {who}" if what[0].isupper() else f"{what} {who}" for what, who in named if who)


def _name(plan: VersePlan, before: list[Accompaniment]) -> str:
    """A section's id: `verse-2`, or `tune`, `tune-2` where there are no words."""
    if plan.verse is not None:
        name = f"verse-{plan.verse}"
        again = sum(one.verse == plan.verse for one in before)
    else:
        name, again = "tune", len(before)
    return f"{name}-{again + 1}" if again else name


def _unknown_symbols(sections: list[Accompaniment], harmony: Harmony) -> list[Finding]:
    """Chord texts that nobody knows are printed as they stand and played as their root's triad."""
    printed = {span.chord for span in harmony.spans if span.origin == "printed"}
    return [
        tell(section, "unknown-symbol", one.start, text=one.chord.text, played=f"{one.chord.root} major")
        for section in sections
        for one in section.chords
        if one.chord.kind == "other" and one.chord.text and one.chord.root is not None and one.chord in printed
    ]


def _verse(
    verse: WalkedVerse, harmony: Harmony, plan: VersePlan, organ: Organ, player: Player, name: str
) -> tuple[Accompaniment, list[Finding]]:
    """One verse in the texture asked for, else in the one that serves, with everything there is to say."""
    texture = TEXTURES[plan.texture]
    told: list[tuple[Texture, Refusal]] = []
    while (refusal := refuses(verse, texture, plan, organ, harmony.key)) is not None:
        told.append((texture, refusal))
        if refusal.instead in PLACES:
            plan = replace(plan, tune=PLACES[refusal.instead].name)
        else:
            texture = TEXTURES[refusal.instead]
        if len(told) > 4:
            break
    right, left = hands(organ, texture.name, plan.tune)
    plan = replace(
        plan, right=plan.right or right, left=plan.left or left,
        feet=plan.feet or (organ.pedal.name if organ.pedal else ""), texture=texture.name,
    )  # fmt: skip
    empty = _section(verse, harmony, plan, texture, name)
    if texture.kind == "printed":
        section, findings = lay_printed(verse, empty, organ, player)
    elif texture.kind != "figure":
        section, findings = lay_plain(texture.kind, verse, empty, organ, player)
    else:
        section, findings = lay_figure(verse, empty, texture, organ, player)
    refusals = [
        tell(section, "not-served", Fraction(0), texture=one.title, reason=refusal.reason, instead=_served(refusal))
        for one, refusal in told
    ]
    return section, [*refusals, *findings]


def _served(refusal: Refusal) -> str:
    if refusal.instead in PLACES:
        return f"the {PLACES[refusal.instead].says}"
    return TEXTURES[refusal.instead].title


def refuses(verse: WalkedVerse, texture: Texture, plan: VersePlan, organ: Organ, key: Key) -> Refusal | None:
    """Why a texture cannot serve a verse, or None; the refusal names what would."""
    tune = verse.sounded_tune
    if plan.tune == "octave-up":
        solo = organ.division(plan.right) or organ.manuals[0]
        top = max(note.midi for note in tune) + 12
        if top > solo.highest:
            return Refusal(texture.name, f"an octave up the tune would reach {key_name(top)}", "at-pitch")
    if plan.tune in ("tenor", "pedal"):
        lower = _refuses_below(verse, texture, plan, organ)
        if lower is not None:
            return lower
    if texture.kind == "printed":
        if not verse.four_parts:
            return Refusal(texture.name, "four parts are not printed", "block")
        if texture.name == "soloed" and len(organ.manuals) < 2:
            return Refusal(texture.name, "the organ has one manual", "as-printed")
        return None
    if texture.kind in ("unison", "two-voices"):
        return None
    if texture.kind == "drone":
        away = away_from_tonic(verse, key)
        reason = f"the harmony leaves the tonic for {show_beat(away)} beats"
        return Refusal(texture.name, reason, "block") if away > MOST_BEATS_AWAY else None
    if not any(one.chord.root is not None for one in verse.chords):
        return Refusal(texture.name, "no harmony is known", "as-printed") if verse.four_parts else None
    beats = frozenset(verse.beats)
    length = sum((note.end - note.start for note in tune), Fraction(0))
    low = sum((note.end - note.start for note in tune if note.midi < TUNE_TOO_LOW and note.start in beats), Fraction(0))
    if plan.tune == "at-pitch" and length and low / length > TUNE_TOO_LOW_SHARE:
        return Refusal(texture.name, "the tune lies too low to leave room beneath it", "octave-up")
    ground = ground_of(verse, (), 0)
    if texture.name == "strummed" and is_dense(ground) and not verse.bars[0].time.compound:
        return Refusal(texture.name, "with a chord on every beat it would be block chords", "block")
    shortest = slot_length(ground, texture, verse.bars[-1].start, dense=is_dense(ground))
    pace = plan.pace or pace_for(verse.bars[0].time)
    if texture.figure is not BLOCK and pace.seconds(shortest) < texture.shortest_seconds:
        notes = round(1 / pace.seconds(shortest), 1)
        instead = "broken" if texture.name == "alberti" else "block"
        return Refusal(texture.name, f"{notes} notes a second are too fast at this pace", instead)
    return None


def _refuses_below(verse: WalkedVerse, texture: Texture, plan: VersePlan, organ: Organ) -> Refusal | None:
    """What speaks against the tune in the tenor or in the feet."""
    tune = verse.sounded_tune
    if texture.kind == "printed":
        return Refusal(texture.name, "under a lowered tune the printed parts would make fifths", "block")
    if texture.kind != "figure":
        return Refusal(texture.name, "it keeps the tune in the right hand", "at-pitch")
    if len(organ.manuals) < 2:
        return Refusal(texture.name, "a tune below the hands needs a manual or pedal of its own", "at-pitch")
    low, high = min(note.midi for note in tune) - 12, max(note.midi for note in tune) - 12
    instead = "tenor" if low >= LOW_TENOR else "at-pitch"
    if plan.tune == "tenor":
        reason = f"the tune would go down to {key_name(low)}"
        return Refusal(texture.name, reason, instead) if instead != "tenor" else None
    pedal = organ.pedal
    if pedal is None or low < pedal.lowest or high > pedal.highest:
        return Refusal(texture.name, f"the feet would need the keys {key_name(low)} to {key_name(high)}", instead)
    pace = plan.pace or pace_for(verse.bars[0].time)
    shortest = min(pace.seconds(note.end - note.start) for note in tune)
    if shortest < SHORTEST_FOR_FEET_SECONDS:
        return Refusal(texture.name, f"the feet would have notes of {shortest:.2f} s", instead)
    return None


def _section(verse: WalkedVerse, harmony: Harmony, plan: VersePlan, texture: Texture, name: str) -> Accompaniment:
    """The section without its notes yet."""
    hands_apart = "one-manual" if plan.right == plan.left else "two-manuals"
    generic = GENERIC["tune-in-pedal" if plan.tune == "pedal" else hands_apart]
    return Accompaniment(
        name, "verse", verse.number, texture.name, texture.version, "", harmony.key,
        plan.pace or pace_for(verse.bars[0].time), verse.bars, (), verse.placed_chords, verse.lines, verse.breaths,
        verse.holds, verse.words, Registration(generic), plan.right, plan.left, plan.feet, plan.tune,
    )  # fmt: skip

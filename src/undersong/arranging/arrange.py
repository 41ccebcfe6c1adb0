"""Lay out every verse of a plan: propose, judge, mend once.

Conventions: section time in quarter notes; keys are MIDI numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from undersong.arranging.counterline import lay_counter_line
from undersong.arranging.descant import lay_descant
from undersong.arranging.figured import lay_figure
from undersong.arranging.innerpedal import why_none
from undersong.arranging.judge import judge_finished
from undersong.arranging.needs import Asked, refuses, settled
from undersong.arranging.plain import lay_plain
from undersong.arranging.plans import FULL_PEDAL, ONE_MANUAL, hands, pace_for
from undersong.arranging.printed import lay_printed
from undersong.arranging.threevoices import lay_three_voices
from undersong.arranging.tuneinbass import over_tune_in_bass
from undersong.arranging.walked import WalkedVerse, another_verse, walk_verse
from undersong.errors import UnknownName
from undersong.model.accompaniment import Accompaniment, Arrangement, Registration
from undersong.model.finding import Finding
from undersong.model.harmony import Harmony
from undersong.model.hymn import Hymn
from undersong.model.organ import Organ
from undersong.model.pitch import UNISON
from undersong.model.plan import Plan, VersePlan
from undersong.model.player import Player
from undersong.model.room import ROOMS, Room
from undersong.playing.check import tell
from undersong.textures.places import PLACES, SOFT_PEDAL
from undersong.textures.table import TEXTURES, Refusal, Texture


def arrange(
    hymn: Hymn, harmony: Harmony, plan: Plan, organ: Organ, player: Player, room: Room = ROOMS["average"]
) -> Arrangement:
    """Lay out the verses of a plan.

    Never fails on a readable hymn: what a texture cannot serve is laid out in another one, and
    a finding says so. UnknownName for a texture or verse that does not exist.
    """
    if player.pedals == "none":
        organ = replace(organ, pedal=None)
    circumstances = (organ, player, room)
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
        section, told = _verse(walked[verse_plan.verse], moved, verse_plan, circumstances, _name(verse_plan, sections))
        sections.append(section)
        findings += told
    findings += _unknown_symbols(sections, moved)
    if any(span.origin == "proposed" for span in harmony.spans):
        findings += [tell(section, "harmony-proposed", section.bars[0].start) for section in sections]
    return Arrangement(
        hymn.title, hymn.tune_name, hymn.text.metre, moved.key, plan, tuple(sections), tuple(findings),
        _credits(hymn),
        hymn.rights or hymn.text.rights,
        moved.mode,
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
    verse: WalkedVerse, harmony: Harmony, plan: VersePlan, circumstances: Circumstances, name: str
) -> tuple[Accompaniment, list[Finding]]:
    """One verse in the texture asked for, else in the one that serves, with everything there is to say."""
    organ, player, room = circumstances
    asked = Asked(verse, TEXTURES[plan.texture], plan, organ, room, harmony.key)
    told: list[tuple[Texture, Refusal]] = []
    tried: set[tuple[str, str]] = set()
    slower = ""
    while True:
        tried.add((asked.texture.name, asked.plan.tune))
        asked, word = settled(asked)
        slower = word or slower
        refusal = refuses(asked)
        if refusal is None:
            break
        following = _instead(asked, refusal)
        if (following.texture.name, following.plan.tune) in tried:
            following = _last_resort(asked, tried)
            refusal = replace(refusal, instead=following.texture.name)  # the page says what is really laid out
        told.append((asked.texture, refusal))
        if following.texture.name != asked.texture.name:
            slower = ""
        asked = following
    texture, plan = asked.texture, asked.plan
    right, left = hands(organ, texture.name, plan.tune)
    plan = replace(
        plan, right=plan.right if organ.division(plan.right) else right,
        left=plan.left if organ.division(plan.left) else left,
        feet=organ.pedal.name if organ.pedal else "", texture=texture.name,
    )  # fmt: skip
    if PLACES[plan.tune].own_harmony:
        verse = over_tune_in_bass(verse, harmony)
    if plan.inner_pedal and texture.inner_pedal:
        texture = replace(texture, inner_pedal="asked")
    empty = _section(verse, harmony, plan, texture, name)
    section, findings = LAYING[texture.kind](verse, empty, texture, organ, player)
    findings += judge_finished(section, verse)
    notes = [
        tell(section, "not-served", Fraction(0), texture=one.title, reason=refusal.reason, instead=_served(refusal))
        for one, refusal in told
    ]
    if plan.inner_pedal and (why := why_none(section, verse.chords, can=bool(texture.inner_pedal))):
        notes.append(tell(section, "no-inner-pedal", Fraction(0), why=why))
    if slower:
        notes.append(tell(section, "slower-for-room", Fraction(0), why=slower, pattern=texture.pattern))
    return section, [*notes, *findings]


def _instead(asked: Asked, refusal: Refusal) -> Asked:
    """What a refusal names: another place of the tune, or another texture."""
    if refusal.instead in PLACES:
        return replace(asked, plan=replace(asked.plan, tune=PLACES[refusal.instead].name))
    return replace(asked, texture=TEXTURES[refusal.instead], plan=replace(asked.plan, pattern=""))


def _last_resort(asked: Asked, tried: set[tuple[str, str]]) -> Asked:
    """At pitch, the fullest texture that was not refused yet; the tune in octaves always serves."""
    plan = replace(asked.plan, tune="at-pitch", pattern="")
    ways = [replace(asked, texture=TEXTURES[name], plan=plan) for name in LAST_RESORTS]
    left = [way for way in ways if (way.texture.name, "at-pitch") not in tried and refuses(way) is None]
    return left[0] if left else ways[-1]


LAST_RESORTS = ("as-printed", "block", "two-voices", "unison")

Circumstances = tuple[Organ, Player, Room]
"""What everything is laid out for."""

Laying = Callable[[WalkedVerse, Accompaniment, Texture, Organ, Player], tuple[Accompaniment, list[Finding]]]

LAYING: dict[str, Laying] = {
    "printed": lay_printed, "figure": lay_figure, "drone": lay_plain, "unison": lay_plain, "two-voices": lay_plain,
    "three-voices": lay_three_voices, "counter-line": lay_counter_line, "descant": lay_descant,
}  # fmt: skip
"""How each kind of texture is laid out."""


def _served(refusal: Refusal) -> str:
    if refusal.instead in PLACES:
        return f"the {PLACES[refusal.instead].says}"
    return TEXTURES[refusal.instead].title


def _section(verse: WalkedVerse, harmony: Harmony, plan: VersePlan, texture: Texture, name: str) -> Accompaniment:
    """The section without its notes yet."""
    together = plan.right == plan.left and PLACES[plan.tune].tune != "feet"
    stops = [ONE_MANUAL if together else texture.stops or PLACES[plan.tune].stops]
    if plan.feet and not texture.hands_alone and PLACES[plan.tune].tune != "feet":
        stops.append(FULL_PEDAL if together else SOFT_PEDAL)
    return Accompaniment(
        name, "verse", verse.number, texture.name, texture.version, "", harmony.key,
        plan.pace or pace_for(verse.bars[0].time), verse.bars, (), verse.placed_chords, verse.lines, verse.breaths,
        verse.holds, verse.words, Registration("; ".join(stops)), plan.right, plan.left, plan.feet, plan.tune,
    )  # fmt: skip

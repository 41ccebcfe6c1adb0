"""What a name on a stop knob means: family, variety, usual length and loudness.

The musical problem: the same pipes are called Gedackt, Bourdon or Stopped Diapason, and the same word means other
pipes elsewhere (Principal is 4 feet on an English manual and 8 on a German one). The table knows the common words of
English, German, French, Dutch, Italian and Spanish stop lists; what it does not know must be told by family and feet.

Conventions: words are compared without accents, points and capitals; the longest row whose words stand in the name in
that order, side by side, counts. A length printed beside the name always wins over the usual one; Roman figures are
ranks. Levels 1 to 5 are the usual loudness of the kind, soft to loud.

References: families and names after common stop lists; usual lengths and levels are common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from undersong.model.organ import UNISON_FEET, Family, feet_of, show_feet


@dataclass(frozen=True, slots=True)
class NamedKind:
    """One row: the words, what they mean, the usual length in feet ("" where it must be printed) and level."""

    words: str
    family: Family
    variety: str
    feet: str
    level: int


ROWS: tuple[tuple[Family, str, int, str], ...] = (
    ("principal", "open", 4,
     """
     open diapason:8 diapason:8 montre:8 prestant: praestant: principal: prinzipal: principaal: principale:8
     flautado:13 hornprinzipal:8 horn diapason:8 principalbass: prinzipalbass: open wood:16 open metal:16
     contrebasse:16 contra bass:16 violone:16 major bass:16 flautado de 13:8 italian principal:8
     """),
    ("principal", "narrow", 3,
     """
     geigen:8 geigenprinzipal:8 geigen principal:8 geigen diapason:8 violin diapason:8 violinprincipal:8
     violin principal:8 spitzprinzipal:4 flautadito:8
     """),
    ("principal", "open", 4,
     """
     octave:4 oktave:4 oktav:4 octaaf:4 octava:4 ottava:4 octavbass:8 oktavbass:8 octave bass:8 fifteenth:2
     superoctave:2 superoktave:2 super octave:2 superoctaaf:2 doublette:2 quindecima:2 decimaquinta:2 quincena:2
     choralbass:4 choral bass:4 koraalbas:4 twenty second:1 super octaaf:2 vigesimaseconda:1 piccolo principal:2
     """),
    ("flute", "stopped", 2,
     """
     stopped diapason:8 stopped flute:8 stopt diapason:8 gedackt:8 gedeckt:8 gedact:8 gedekt:8 gedacktbass:8
     gedeckt bass:8 bourdon: bordun:16 bordon:8 bordone:8 subbass:16 sub bass:16 subbas:16 untersatz:32
     soubasse:16 lieblich gedackt:8 lieblich gedeckt:8 lieblich bourdon:16 holzgedackt:8 holpijp:8 holpyp:8
     tapado:8 tapadillo:4 bass flute:8 bassflote:8 stillgedackt:8 musiziergedackt:8 quintade:8 quintaton:8
     quintadena:8 quintadeen:8 pommer:16 gedacktpommer:4 nason:4 nason flute:4 cor de nuit:8 nachthorngedackt:4
     copula:8 zartbass:16 echo bass:16 acoustic bass:32 kleingedackt:4
     """),
    ("flute", "chimney", 2,
     """
     rohrflote:8 rohr flute:8 rohrflute:8 chimney flute:8 flute a cheminee:8 roerfluit:8 rohrgedackt:8
     flauto a camino:8 koppelflote:4 koppel flute:4
     """),
    ("flute", "open", 2,
     """
     flute:8 flote:8 fluit:8 flauto:8 flauta:8 hohlflote:8 hohl flute:8 hohlfluit:8 clarabella:8 claribel:8
     claribel flute:8 melodia:8 waldflote:2 waldfluit:2 wald flute:4 blockflote:4 blokfluit:4 recorder:4
     spitzflote:4 spitz flute:4 gemshorn:4 gemshoorn:4 nachthorn:4 nachthoorn:2 flute douce:4 flute octaviante:4
     suabe flute:4 piccolo:2 octavin:2 flautino:2 flageolet:2 sifflote:1 sifflet:1 flauto in viii:4 open flute:8
     offenflote:8 dolce flute:8 flachflote:2 bauernflote:2 tibia:8 kleinflote:2 querflote:4 traversflote:4
     flauto traverso:4 concert flute:8 bassflote offen:8 flute ouverte:8 fluta:8 flautone:8
     """),
    ("flute", "harmonic", 3,
     """
     harmonic flute:8 flute harmonique:8 flauto armonico:8 orchestral flute:8 major flute:8 grosse flote:8
     konzertflote:8 harmonic piccolo:2
     """),
    ("string", "", 1,
     """
     salicional:8 salizional:8 salicionaal:8 salicet:4 gamba:8 viola:8 viola da gamba:8 viola di gamba:8
     viole de gambe:8 gambe:8 viole:8 violon:16 violonbass:16 cello:8 violoncello:8 violoncelle:8 dulciana:8
     dolce:8 dolcan:8 aeoline:8 aeolina:8 keraulophon:8 viole d orchestre:8 viola pomposa:8 fugara:4 violina:4
     erzahler:8 echo gamba:8 contra viola:16 contra gamba:16 dolciano:8 bell gamba:8
     """),
    ("string", "celeste", 1,
     """
     voix celeste:8 vox coelestis:8 voce celeste:8 celeste:8 schwebung:8 unda maris:8 vox angelica:8
     viola celeste:8 gamba celeste:8 voix celestes:8 flute celeste:8
     """),
    ("reed", "oboe", 3,
     """
     oboe:8 hautbois:8 hautboy:8 hobo:8 oboe horn:8 basson hautbois:8 basson:16 bassoon:16 fagott:16 fagot:16
     fagotto:16 musette:4 schalmei:4 schalmey:4 schalmei oboe:8 chalumeau:4 cor anglais:8 english horn:8
     contra oboe:16 double oboe:16 vox humana:8 voix humaine:8
     """),
    ("reed", "clarinet", 3,
     """
     clarinet:8 clarinette:8 klarinette:8 cremona:8 cromorne:8 krummhorn:8 kromhoorn:8 dulcian:16 dulzian:16
     dulciaan:16 regal:8 regaal:8 rankett:16 ranket:16 sordun:16 corno di bassetto:8 cromorno:8
     """),
    ("reed", "trumpet", 5,
     """
     trumpet:8 trompete:8 trompette:8 trompet:8 tromba:8 trompeta:8 cornopean:8 clairon:4 clarion:4 clarin:4
     trombone:16 posaune:16 bombarde:16 bombarda:16 bazuin:16 ophicleide:16 tuba:8 waldhorn:16 horn:8
     double trumpet:16 contra trumpet:16 clarine:4 orlos:8 bajoncillo:4 tromboni:16 contra posaune:32
     trompette en chamade:8 festival trumpet:8
     """),
    ("mutation", "principal", 3,
     """
     twelfth:2_2/3 quint: quinte: kwint: quinta:2_2/3 rauschquinte:2_2/3 octave quint:2_2/3 duodecima:2_2/3
     nineteenth:1_1/3 seventeenth:1_3/5 terz:1_3/5 decimanona:1_1/3 docena:2_2/3 quintbass:10_2/3
     superquint:1_1/3
     """),
    ("mutation", "flute", 2,
     """
     nazard:2_2/3 nasard:2_2/3 nasat:2_2/3 nassat:2_2/3 nasardo:2_2/3 larigot:1_1/3 tierce:1_3/5 tertz:1_3/5
     grosse tierce:3_1/5 gros nasard:5_1/3 flautino in xii:2_2/3 septieme:1_1/7 none:8/9 gemsquint:2_2/3
     rohrnasat:2_2/3 roernasard:2_2/3 flauto in xii:2_2/3
     """),
    ("mixture", "", 4,
     """
     mixture:1_1/3 mixtur:1_1/3 mixtuur:1_1/3 fourniture:1_1/3 furniture:1_1/3 plein jeu:1_1/3 ripieno:1_1/3
     lleno:1_1/3 cymbale:1/2 cymbal:1/2 zimbel:1/2 zymbel:1/2 cimbel:1/2 scharf:1 scharff:1 scherp:1 sharp:1
     full mixture:2 hintersatz:2 rauschpfeife:2_2/3 compensum:1_1/3 acuta:1 zimbala:1/2
     """),
    ("mixture", "cornet", 4, "cornet:8 kornett:8 cornett:8 corneta:8 mounted cornet:8"),
    ("mixture", "sesquialtera", 3, "sesquialtera:2_2/3 sesquialter:2_2/3 sesquialtra:2_2/3"),
)  # fmt: skip
"""Family, variety, usual level, and names with their usual length ("" where it differs from organ to organ)."""


def plain_words(text: str) -> str:
    """A name without accents, capitals and points: `Flûte à cheminée` is `flute a cheminee`."""
    bare = unicodedata.normalize("NFKD", text.replace("ß", "ss").replace("ø", "o")).encode("ascii", "ignore").decode()
    return " ".join(re.findall(r"[a-z]+", bare.casefold()))


@lru_cache(maxsize=1)
def table() -> dict[str, NamedKind]:
    """Words of a name to their row."""
    found: dict[str, NamedKind] = {}
    for family, variety, level, names in ROWS:
        for words, feet in re.findall(r"([a-z0-9 ]+?):([0-9_/]*)(?: |$)", " ".join(names.split())):
            name = plain_words(words)
            found.setdefault(name, NamedKind(name, family, variety, feet.replace("_", " "), level))
    return found


SOFTER = {"echo", "dolce", "lieblich", "still", "zart", "soft", "doux", "small", "minor", "dulcet"}
PREFIXES = {"double": 2, "contra": 2, "contre": 2, "gross": 2, "grosse": 2, "doppel": 2, "sub": 2}
"""Words before a name that make the pipes twice as long, where no length is printed."""

RANKS = re.compile(
    r"\b(?:(I{1,3}|IV|VI{0,3}|IX|XI{0,2})(?:\s*[-–]\s*[IVX]+)?"
    r"|(\d{1,2})\s*(?:fach|f\.|rangs|rgs|ranks|sterk|st\.))(?![\w'])"
)
LENGTH = re.compile(
    r"(?<![\w/])(\d{1,2}\s+\d{1,2}/\d{1,2}|\d{1,2}/\d{1,2}|\d{1,2}(?:\.\d)?)"
    r"\s*(?:'|’|ft\.?|feet|Fuss|Fuß|pieds|voet)?(?![\w/])"
)
ROMAN = {
    "I": 1, "II": 2, "III": 3, "IV": 4, "V": 5, "VI": 6, "VII": 7, "VIII": 8, "IX": 9, "X": 10, "XI": 11, "XII": 12,
}  # fmt: skip
SPANISH_FEET = {"52": "32", "26": "16", "13": "8", "7": "4"}
"""Spanish lists count palms: a Flautado of 13 sounds at 8 feet."""


@dataclass(frozen=True, slots=True)
class Recognised:
    """What a name was understood to be; `feet` is "" where it must be told."""

    name: str
    kind: NamedKind
    feet: str
    ranks: int

    @property
    def level(self) -> int:
        """Usual level 1 to 5; a word such as Echo or Lieblich makes it one softer, as does a short principal."""
        softer = bool(SOFTER & set(plain_words(self.name).split())) and self.kind.family != "mixture"
        short = self.kind.family == "principal" and bool(self.feet) and feet_of(self.feet) < UNISON_FEET
        return max(1, self.kind.level - softer - short)


def split_name(text: str) -> tuple[str, str, int]:
    """The name, the length printed beside it ("" where none is) and the number of ranks (0 where none is).

    >>> split_name("Mixtur 4fach 1 1/3'")
    ('Mixtur', '1 1/3', 4)
    """
    ranks, rest = 0, text
    found = RANKS.search(rest)
    if found:
        ranks = ROMAN.get(found[1], 0) if found[1] else int(found[2])
        rest = rest[: found.start()] + " " + rest[found.end() :]
    length = LENGTH.search(rest)
    feet = ""
    if length:
        feet = " ".join(length[1].split())
        rest = rest[: length.start()] + " " + rest[length.end() :]
    return " ".join(rest.split()).strip(" -,'’"), feet, ranks


def recognise(text: str) -> Recognised | None:
    """What a stop's name means, with or without its length; None where the table does not know it.

    >>> recognise("Rohrflöte 8'").kind.variety
    'chimney'
    """
    name, feet, ranks = split_name(text)
    words = plain_words(name).split()
    kind = _longest(words)
    if kind is None:
        return None
    if kind.words.startswith("flautado"):
        feet = SPANISH_FEET.get(feet or "13", feet)
    usual = kind.feet
    if not feet and usual and words[0] in PREFIXES and kind.words.split()[0] != words[0]:
        usual = show_feet(feet_of(usual) * PREFIXES[words[0]])
    if feet:
        try:
            feet = show_feet(Fraction(feet_of(feet)))
        except ValueError:
            return None
    return Recognised(name, kind, feet or usual, ranks)


def _longest(words: list[str]) -> NamedKind | None:
    """The row with the most words that stand side by side in the name; at equal length the later ones in it."""
    for count in range(len(words), 0, -1):
        for start in range(len(words) - count, -1, -1):
            kind = table().get(" ".join(words[start : start + count]))
            if kind is not None:
                return kind
    return None

"""The one table of published values that the library leans on, each with its source.

A value is a prior, never a verdict: the holding's own records move it. `seen` tells how far a number can be
trusted to be the author's: read in the text, read in an abstract, quoted from memory, or common practice with
no source at all. What was looked for and not found has a documented wide default, and says so
(:data:`NOT_FOUND`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
import numpy.typing as npt

from selection.errors import SettingsError
from selection.records.settings.reading import Measured, Section, Standard

_Seen = Literal["text", "abstract", "memory", "practice"]


@dataclass(frozen=True, slots=True)
class _Source:
    """A publication: who, when, under what title or in what journal. Blank: not known."""

    author: str
    year: int | None = None
    title: str = ""

    def __str__(self) -> str:
        when = f" ({self.year})" if self.year else ""
        return f"{self.author}{when}{', ' + self.title if self.title else ''}"


@dataclass(frozen=True, slots=True)
class Published:
    """One published value: `value` in `unit`, or the middle of `low`…`high` where a range was given."""

    quantity: str
    trait: str
    value: float
    unit: str
    source: _Source
    seen: _Seen
    place: str = ""
    breed: str = ""
    measured: str = ""
    low: float | None = None
    high: float | None = None

    @property
    def from_memory(self) -> bool:
        """True where the number was not read in a text or abstract: from memory, or common practice."""
        return self.seen in ("memory", "practice")

    @property
    def cited(self) -> str:
        """The source in words, with what a reader has to know before trusting it."""
        doubt = {"memory": " [from memory]", "abstract": " [abstract only]"}.get(self.seen, "")
        return f"{self.source}{', ' + self.place if self.place else ''}{doubt}"


@dataclass(frozen=True, slots=True)
class Prior:
    """What is held to be so before the holding's own records: mean, standard deviation, and why."""

    mean: float
    sd: float
    source: str


PRACTICE = _Source("common practice, no source")
FALCONER = _Source("Falconer & Mackay", 1996, "Introduction to Quantitative Genetics")
HALE = _Source("R.W. Hale", 1961, "Animal Production (year from memory)")
MORRIS = _Source("J.A. Morris", 1956, "Aust. J. Agric. Res. 7:630-639")
LEGHORN = _Source(
    "Jaffe (author, year and journal from memory)",
    1964,
    "The relationships between egg weight and yolk weight, Br. Poult. Sci. 5",
)
LAYERS = _Source(
    "Wolc, Lisowski & Szwaczkowski",
    2007,
    "Genetic evaluation of laying hens under fixed regression animal models, Arch. Anim. Breed. 50:279",
)
VENTURINI = _Source("Venturini et al.", 2012, "Genet. Mol. Res. 11:1819-1829")
TONGSIRI = _Source("Tongsiri et al.", 2019, "Asian-Australas. J. Anim. Sci. 32:930-938")
KENYA = _Source(
    "Ngeno et al. (names from memory; initials as printed)",
    2013,
    "Heritabilities and correlations between body weights and growth curve parameters of indigenous chicken "
    "populations reared intensively in Kenya, Res. J. Poult. Sci. 6:43-52",
)
ADELEKE = _Source(
    "Adeleke, Peters, Ozoje, Ikeobi, Bamgbose & Adebambo", 2011, "Livest. Res. Rural Dev. 23(1)"
)
LOHMANN = _Source("Cavero et al.", None, "Lohmann Information")
GUO = _Source("Guo et al.", 2020, "Asian-Australas. J. Anim. Sci. 33:1217-1223")
RUCINSKA = _Source("Rozempolska-Rucinska et al.", 2013, "Poult. Sci. 92:321-324")
WOLC = _Source("Wolc et al.", 2012, "Poultry Science")
CAMPO = _Source("Campo & Carnicer", 1993, "Poultry Science: tonic immobility, not a judge's score")
HUTT = _Source("F.B. Hutt", 1949, "Genetics of the Fowl, as quoted on a web page")
SHOFFNER = _Source("Shoffner", 1948, "as tabulated by Falconer")
GRADES = _Source("MAFF letter of 25 June 1996", 1996, "and British Egg Information Service")
WAGENINGEN = _Source("Wageningen / Groen Kennisnet", None, "Animal breeding and genetics")
FRANKHAM = _Source("Frankham et al.", 2014, "Biol. Conserv. 170:56-63")
NRC = _Source("National Research Council", 1994, "Nutrient Requirements of Poultry")


def _share(
    quantity: str,
    trait: str,
    value: float | tuple[float, float],
    source: _Source,
    seen: _Seen = "abstract",
    breed: str = "",
    measured: str = "",
    place: str = "",
) -> Published:
    """A share of variance; of a range the middle is the value."""
    low, high = value if isinstance(value, tuple) else (None, None)
    middle = (value[0] + value[1]) / 2 if isinstance(value, tuple) else value
    return Published(quantity, trait, middle, "", source, seen, place, breed, measured, low, high)


_h2 = partial(_share, "heritability")

HERITABILITIES: tuple[Published, ...] = (
    _h2("body weight", 0.55, FALCONER, "memory", "poultry", "32 weeks", "Table 10.1"),
    _h2("body weight", 0.61, HALE, breed="White Wyandotte", measured="pullets at penning"),
    _h2("body weight", 0.51, HALE, breed="White Wyandotte", measured="8 weeks"),
    _h2("body weight", 0.56, KENYA, breed="indigenous, Kenya", measured="8 weeks"),
    _h2("body weight", 0.28, KENYA, breed="indigenous, Kenya", measured="20 weeks"),
    _h2("body weight", 0.45, ADELEKE, measured="12 to 16 weeks"),
    _h2("body weight", (0.10, 0.47), TONGSIRI, breed="native, Thailand", measured="while growing"),
    _h2("egg weight", 0.50, FALCONER, "memory", "poultry", "32 weeks", "Table 10.1"),
    _h2("egg weight", 0.71, HALE, breed="White Wyandotte", measured="spring eggs"),
    _h2("egg weight", 0.50, LEGHORN, breed="White Leghorn", measured="pullets"),
    _h2("egg weight", 0.74, WOLC, breed="brown-egg layers", measured="11,738 hens"),
    _h2("egg number", 0.10, FALCONER, "memory", "poultry", "to 72 weeks", "Table 10.1"),
    _h2("egg number", 0.28, HALE, breed="White Wyandotte", measured="to 500 days"),
    _h2("egg number", 0.31, MORRIS, measured="production index to 72 weeks"),
    _h2("egg number", (0.02, 0.20), LAYERS, breed="three layer lines", measured="by month"),
    _h2("egg number", (0.04, 0.14), VENTURINI, measured="periods of 3 weeks"),
    _h2("egg number", (0.15, 0.16), TONGSIRI, breed="native, Thailand"),
    _h2("age at first egg", 0.18, HALE, breed="White Wyandotte"),
    _h2("breast girth", 0.72, ADELEKE, measured="12 weeks"),
    _h2("shell colour", (0.35, 0.45), LOHMANN, "text", "brown layers", "reflectometer"),
    _h2("shell colour", 0.65, GUO, measured="L*, lightness"),
    _h2("fertility", (0.13, 0.15), LOHMANN, "text", "White Leghorn"),
    _h2("hatchability", (0.27, 0.30), LOHMANN, "text", "White Leghorn", "hatch of fertile"),
    _h2("hatchability", 0.087, RUCINSKA, measured="as a trait of the hen"),
    _h2("temperament", 0.32, CAMPO, measured="realised, se 0.10"),
    _h2("temperament", 0.18, CAMPO, measured="half sisters, se 0.07"),
)

REPEATABILITIES: tuple[Published, ...] = (
    _share(
        "repeatability", "egg number", (0.11, 0.43), LAYERS, breed="three layer lines", measured="by month"
    ),
)

NOT_FOUND: tuple[str, ...] = (
    "conformation", "comb", "head", "eyes", "plumage colour", "legs", "condition",
    "broodiness", "shank length", "shank width", "feathering", "carriage",
)  # fmt: skip
"""Traits looked for without finding a number; they take the wide defaults below."""

WIDE_HERITABILITY = Prior(0.30, 0.15, "no published value found: wide default, 0.30 ± 0.15")
WIDE_REPEATABILITY = Prior(0.50, 0.15, "no published value found: wide default, 0.50 ± 0.15")
OWN_SD = 0.10
"""Standard deviation given to a heritability or repeatability that the standard itself states."""
LEAST_SD = 0.10
"""Published values of one trait may agree by chance; no prior is held to be surer than this."""

VARIANCE_SHARES: tuple[Published, ...] = (
    _share("share of variance", "clutch", 0.04, PRACTICE, "practice"),
    _share("share of variance", "brooder", 0.05, PRACTICE, "practice"),
    _share("share of variance", "judge×day", 0.02, PRACTICE, "practice"),
)

_CHANGE = partial(Published, "change for 0.1 of inbreeding", unit="% of the mean")
INBREEDING_DEPRESSION: tuple[Published, ...] = (
    _CHANGE("egg number", -6.2, source=SHOFFNER, seen="memory"),
    _CHANGE("hatchability", -6.4, source=SHOFFNER, seen="memory"),
    _CHANGE("body weight", -0.8, source=SHOFFNER, seen="memory"),
    _CHANGE("day-old weight", -2.9, source=TONGSIRI, seen="text"),
)

EGG_GRADES: tuple[Published, ...] = tuple(
    Published("least weight of the grade", grade, least, "g", GRADES, "text")
    for grade, least in (("S", 0.0), ("M", 53.0), ("L", 63.0), ("XL", 73.0))
)
"""A boundary belongs to the upper grade."""

_EATEN = partial(Published, "feed eaten in a day", unit="g", measured="brown-egg strains")
FEED_INTAKE: tuple[Published, ...] = (
    _EATEN("0 weeks", 10.0, source=NRC, seen="memory"),
    _EATEN("4 weeks", 39.0, source=NRC, seen="memory"),
    _EATEN("8 weeks", 54.0, source=NRC, seen="memory"),
    _EATEN("12 weeks", 60.0, source=NRC, seen="memory"),
    _EATEN("16 weeks", 66.0, source=NRC, seen="memory"),
    _EATEN("20 weeks", 79.0, source=NRC, seen="memory"),
    _EATEN("26 weeks", 125.0, source=PRACTICE, seen="practice"),
)
"""From 26 weeks on a bird eats as an adult."""

LAYING_DECLINE: tuple[Published, ...] = tuple(
    Published("laying beside the first year", f"year {year}", share, "", PRACTICE, "practice")
    for year, share in ((2, 0.80), (3, 0.70), (4, 0.60))
)
"""Farm papers print these figures; the university bulletin that they name was not found to hold them."""

YEARLY_LAYING = Prior(
    0.80, 0.08, f"0.80, 0.875 and 0.857 of the year before ({PRACTICE}); 0.80 ± 0.08 is held"
)

_STORED = partial(Published, "stored sperm", unit="days")
STORED_SPERM: tuple[Published, ...] = (
    _STORED("until half the eggs are fertile", 12.75, source=HUTT, seen="text", low=10.7, high=14.8),
    _STORED("until a new cock has half the eggs", 2.5, source=PRACTICE, seen="practice", low=2.0, high=3.0),
)
"""After a cock has left. Hutt quotes 10.7 (Curtis and Lambert) and 14.8 days (Nicolaides) on average, at most 29 and
32; a week after he has left fertility falls fast, and eggs past 12 to 14 days are seldom saved."""

_PACE = partial(Published, unit="F for each generation", source=WAGENINGEN, seen="text", place="sec. 6.15")
INBREEDING_ADVICE: tuple[Published, ...] = (
    _PACE("most rate of inbreeding", "inbreeding", 0.01),
    _PACE("better rate of inbreeding", "inbreeding", 0.005),
    Published("least effective size", "effective size", 100.0, "birds", FRANKHAM, "abstract"),
)

PUBLISHED: tuple[Published, ...] = (
    *HERITABILITIES,
    *REPEATABILITIES,
    *VARIANCE_SHARES,
    *INBREEDING_DEPRESSION,
    *EGG_GRADES,
    *FEED_INTAKE,
    *LAYING_DECLINE,
    *STORED_SPERM,
    *INBREEDING_ADVICE,
)
"""Every value the library ships, one row each."""

ALSO_CALLED = {
    "type": "conformation", "outline": "conformation", "shape": "conformation", "body": "conformation",
    "colour": "plumage colour", "plumage": "plumage colour", "markings": "plumage colour",
    "comb/head": "head", "lobes": "head", "face": "head", "eye": "eyes", "leg": "legs", "feet": "legs",
    "size": "body weight", "weight": "body weight", "laying": "egg number", "eggs": "egg number",
    "egg colour": "shell colour", "tameness": "temperament", "character": "temperament",
}  # fmt: skip
"""What breeders also call a trait of the table."""


def traits() -> tuple[str, ...]:
    """The names that `like` may hold, other than their common synonyms: every trait found or looked for."""
    found = {p.trait for p in (*HERITABILITIES, *REPEATABILITIES)}
    return tuple(sorted(found | set(NOT_FOUND)))


def heritability(trait: Section | Measured) -> Prior:
    """The prior of a trait's heritability: the standard's own, else the mean of the published values.

    The published values of one trait come from several flocks: their spread is the standard deviation, never
    under `LEAST_SD`. A trait without a published value takes the wide default, and the source says so. Where
    the standard states a repeatability alone, the value is lowered to leave room under it. Raises
    SettingsError where `like` names nothing of the table.
    """
    if trait.heritability is not None:
        return Prior(trait.heritability, OWN_SD, "the standard's own")
    found = _of_published(HERITABILITIES, trait) or WIDE_HERITABILITY
    most = 1.0 if trait.repeatability is None else trait.repeatability - variance_share("clutch")
    if found.mean <= most:
        return found
    return Prior(max(most, 0.0), found.sd, f"{found.source}; lowered to the standard's own repeatability")


def repeatability(trait: Section | Measured) -> Prior:
    """The prior of a trait's repeatability, found as :func:`heritability` finds its own.

    Two looks at a bird share at least its breeding value and its clutch, so that a published repeatability
    below both together (it was estimated elsewhere) is raised to them, and the source says so.
    """
    if trait.repeatability is not None:
        return Prior(trait.repeatability, OWN_SD, "the standard's own")
    found = _of_published(REPEATABILITIES, trait) or WIDE_REPEATABILITY
    least = heritability(trait).mean + variance_share("clutch") + 0.05
    if found.mean >= least:
        return found
    return Prior(min(least, 0.95), found.sd, f"{found.source}; raised to heritability and clutch together")


def variance_share(name: str) -> float:
    """The prior share of a trait's variance that clutch, brooder or judge×day takes; else KeyError."""
    for row in VARIANCE_SHARES:
        if row.trait == name:
            return row.value
    raise KeyError(
        f"no share of variance for {name}; there are {', '.join(r.trait for r in VARIANCE_SHARES)}"
    )


def published_depression(trait: Section | Measured) -> Published | None:
    """What 0.1 of inbreeding changes of a trait's mean, as published; None where nothing is."""
    like = like_of(trait)
    return next((row for row in INBREEDING_DEPRESSION if row.trait == like), None)


def stored_sperm() -> tuple[float, float]:
    """Days in which what one day with a cock left fades by half, and days until half a hen's eggs are fertile."""
    fertile, halves = (row.value for row in STORED_SPERM)
    return halves, fertile


def check_likes(standard: Standard) -> None:
    """Raises one SettingsError naming every section or measured trait whose `like` is not in the table."""
    faults = []
    every: tuple[Section | Measured, ...] = (*standard.sections, *standard.measured)
    for trait in every:
        try:
            like_of(trait)
        except SettingsError as fault:
            faults.append(str(fault))
    if faults:
        raise SettingsError("\n".join(faults))


def egg_grade(grams: npt.ArrayLike) -> npt.NDArray[np.str_]:
    """Size grade of eggs by weight in grams, any shape; a missing weight has the grade ''."""
    weights = np.asarray(grams, dtype=float)
    names = np.array([""] + [g.trait for g in EGG_GRADES])
    place = np.searchsorted([g.value for g in EGG_GRADES], weights, side="right")
    return names[np.where(np.isnan(weights), 0, place)]


def feed_grams_a_day(weeks: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Feed eaten by one bird in a day, in grams, at `weeks` of age (any shape; missing stays missing).

    Between the table's ages by straight line, from 26 weeks as an adult. Fit for sharing a feed bill out, not
    for feeding birds.
    """
    ages = [float(row.trait.split()[0]) for row in FEED_INTAKE]
    return np.interp(np.asarray(weeks, dtype=float), ages, [row.value for row in FEED_INTAKE])


def _of_published(rows: Sequence[Published], trait: Section | Measured) -> Prior | None:
    """The prior that the published values of what `trait` is like give; None where there are none."""
    like = like_of(trait)
    found = [row for row in rows if row.trait == like]
    if not found:
        return None
    values = np.array([row.value for row in found])
    spread = float(values.std(ddof=1)) if len(values) > 1 else 0.0
    return Prior(
        float(values.mean()), max(spread, LEAST_SD), "; ".join(dict.fromkeys(r.cited for r in found))
    )


def like_of(trait: Section | Measured) -> str | None:
    """The table's name for what `trait` is: its `like`, else its weight; never from what it is called."""
    if trait.like is not None:
        name = _listed(trait.like)
        if name is None:
            raise SettingsError(
                f"standard.toml, {trait.name}: like: found {trait.like}; "
                f"expected one of {', '.join(traits())}"
            )
        return name
    if isinstance(trait, Section) and trait.measured == "weight":
        return "body weight"
    return None


def likes_by_name(standard: Standard) -> tuple[str, ...]:
    """What to say of sections and traits whose name stands in the table while nothing is said of their prior."""
    said = []
    every: tuple[Section | Measured, ...] = (*standard.sections, *standard.measured)
    for trait in every:
        name = _listed(trait.name) or _listed(trait.title)
        told = trait.like or (trait.heritability is not None and trait.repeatability is not None)
        if name and not told and not (isinstance(trait, Section) and trait.measured):
            said.append(
                f'standard.toml, {trait.name}: by its name it would be like = "{name}"; without that key '
                "nothing published is taken for it"
            )
    return tuple(said)


def _listed(name: str) -> str | None:
    """`name` as the table has it, or None."""
    folded = " ".join(name.split()).casefold()
    folded = ALSO_CALLED.get(folded, folded)
    return folded if folded in traits() else None

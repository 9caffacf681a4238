"""The invented breed and place: the standard, the plan, how the fowl grow, and the names of everything.

Nothing here is taken from a real breed, breeder or supplier.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import TypeVar

from selection.records.settings.plan import Keep, Plan, SpringPlan
from selection.records.settings.reading import Fault, Measured, Section, Standard

Trait = TypeVar("Trait", Section, Measured)

BREED = "Ostlebeck heavy fowl (an invented breed)"
SUPPLIERS = ("Fennick Yard", "Oat Hollow", "Tansy Gate", "Correl Bank")
SECOND_PENS = ("Correl Bank/upper",)
BREEDING_PEN = "Orchard"
LAYING_PENS = ("Long Run", "Barn Side")
BROODERS = ("porch", "granary")
LATE_BROODER = "under a hen"
NAMES = ("Boulder", "Nettle", "Clover", "Speckle")
"""Of the founders, the cock first."""
COCK_NAMES = ("Anvil", "Barley", "Cobble", "Drummer", "Ember", "Flint", "Gravel", "Hopper")
"""Of the cocks that followed, in turn."""
CLUTCH_NOTES = ("came by post, two cracked", "fetched by car", "rested a day before setting")
LOOK_NOTES = ("in moult", "wet from the rain", "would not stand", "much improved")
RING_NOTE = "was tight"
JUDGES = ("M", "T", "W", "K")
OLD_COLOUR = "silver"
"""Left ring of founders and of birds bought grown."""
SHOW_JUDGE = "show"
COLOURS = (
    "red",
    "white",
    "blue",
    "yellow",
    "green",
    "black",
    "orange",
    "violet",
    "pink",
    "grey",
    "turquoise",
    "brown",
)

EYE = (
    Section("type", "Type and outline", 20, 0.35, 0.55, like="conformation"),
    Section("head", "Head and comb", 12, 0.30, 0.50),
    Section("feather", "Feather colour and marking", 18, 0.40, 0.60),
    Section("legs", "Legs and feet", 10, 0.30, 0.50),
    Section("tail", "Tail", 8, 0.30, 0.50),
    Section("condition", "Condition", 8, 0.15, 0.35),
    Section("temperament", "Temperament", 9, 0.20, 0.40),
)
SIZE = Section(
    "size",
    "Size",
    15,
    0.45,
    0.80,
    measured="weight",
    at_weeks=24,
    band={"male": (3400, 4100), "female": (2600, 3200)},
    none={"male": (2300, 5400), "female": (1750, 4250)},
)
SHANK = Measured("shank width", "mm", "Width of shank", 0.45, 0.75)
FAULTS = (
    Fault("crooked keel", serious=True),
    Fault("split wing", serious=True),
    Fault("pale shanks", costs=0),
    Fault("stray white feather", costs=1),
)
MEAN_SHARE = 0.70
"""A section's mean at 22 weeks, as a share of its points."""
AGEING = (0.06, 0.08, 0.03, 0.02, 0.08, 0.04, -0.02)
"""What a week of age adds to each section by eye, in its standard deviations."""
SHANK_MEAN = {"male": 14.6, "female": 12.2}

GOMPERTZ = {"male": (4600.0, 4.60, 0.125), "female": (3500.0, 4.35, 0.130)}
"""A (grams), b and k (a week) of W(t) = A·exp(−b·e^(−kt)) by sex."""


def standard(heritability: float | None = None) -> Standard:
    """The breed's standard; `heritability` in place of every trait's own."""
    if heritability is None:
        return Standard(BREED, (*EYE, SIZE), FAULTS, (SHANK,))
    sections = tuple(_inherited(s, heritability) for s in (*EYE, SIZE))
    return Standard(BREED, sections, FAULTS, (_inherited(SHANK, heritability),))


def _inherited(trait: Trait, heritability: float) -> Trait:
    """The trait with this heritability, its repeatability raised where it must be."""
    return replace(
        trait, heritability=heritability, repeatability=max(trait.repeatability or 0, heritability + 0.04)
    )


def plan(season: int, same_pen: float) -> Plan:
    """What the meeting of 10 October of `season` must settle."""
    return Plan(
        on=date(season, 10, 10),
        season=season,
        keep={
            "cockerels": Keep(1, reserve=1, origins=("bought-in",)),
            "pullets": Keep(4, origins=("home-bred",)),
            "hens": Keep(6),
        },
        most_relationship=0.25,
        worth={"type": 1.5, "condition": 0.0},
        same_pen=same_pen,
        most_inbreeding=0.0625,
        currency="GBP",
    )


STANDARD_HEAD = """\
# What the breed should be. One [[section]] for each part of the standard; their points add up to 100.
# Of a section only name and points must be there; everything else may be left out, and so may faults and [[measured]].
"""
STANDARD_NOTES = {
    "breed": "as it stands at the head of every page",
    "name": "the column on the scores form",
    "title": "how pages call it; left out: its name",
    "points": "most that a judge may give",
    "heritability": "share of birds' differences that is passed on, 0 to 1; left out: from published values",
    "repeatability": "how alike two looks at a bird are, 0 to 1, at least heritability + 0.04; may be left out",
    "like": "which published values it starts from, e.g. conformation, head, legs, comb, plumage colour, temperament",
    "measured": "awarded from the scales, not by eye",
    "at_weeks": "the age that the standard speaks of",
    "band": "grams from and to which full points are given",
    "none": "grams at or beyond which none are given; in between, in proportion",
    "serious": "bars a bird from breeding, whoever saw it",
    "costs": "points taken off a look's total; 0: the judge has taken them off the section already",
    "unit": "a trait beside the points, for the measures form",
}
PLAN_HEAD = """\
# What this season's meeting must settle. Only `on` must be there, and a line in [keep] for each group to be judged.
# Not needed here: [correlations], for genetic correlations you trust more than the records, e.g. type.head = 0.2
"""
PLAN_NOTES = {
    "on": "the meeting's day: rows dated later are left out",
    "season": "the year in which the young birds hatched",
    "cockerels": "this season's; from: bought-in or home-bred, left out: either; reserve: stand-ins",
    "pullets": "this season's",
    "hens": "the standing hens; without this line none of them is judged; `cocks` likewise",
    "most_relationship": "ceiling on the mean relationship of the kept with the flock they join; may be left out",
    "type": "worth of each of its points in breeding; a section not named here is worth 1",
    "condition": "0: it has no part in merit",
    "worth_at_least": "points of merit that make another look worth while",
    "days": "eggs that were set were laid in these days before setting",
    "cock_days": "a cock that stood there up to so many days before may still be the sire",
    "same_pen": "chance, 0 to 1, that a supplier's breeding birds are the same in another year",
    "most_inbreeding": "pairs whose chicks would be more inbred are refused: 0.0625 as from first cousins",
    "currency": "what amounts on the forms are in",
    "choose_from": "so many of each to choose from next autumn; left out: four times number and reserve",
    "sure": "with this chance; left out: 0.9",
    "source": "whose eggs, as on the clutches form; a second pen of the same supplier as name/pen",
    "price": "of an egg; left out: the last on record",
    "most": "so many eggs can be had; left out: 24",
    "cocks": "how many stand in that pen, and below it the hens; left out: not told",
}


def standard_toml(standard: Standard) -> str:
    """The standard as its settings file says it."""
    parts = [f"breed = {_quoted(standard.breed)}"]
    for section in standard.sections:
        parts += ["", "[[section]]", f"name = {_quoted(section.name)}", f"title = {_quoted(section.title)}"]
        parts += [f"points = {section.points:g}", *_parameters(section)]
        if section.measured:
            parts += [f"measured = {_quoted(section.measured)}", f"at_weeks = {section.at_weeks:g}"]
            parts += [f"band = {_by_sex(section.band)}", f"none = {_by_sex(section.none)}"]
    for fault in standard.faults:
        parts += ["", "[[fault]]", f"name = {_quoted(fault.name)}"]
        parts += ["serious = true"] if fault.serious else [f"costs = {fault.costs:g}"]
    for trait in standard.measured:
        parts += ["", "[[measured]]", f"name = {_quoted(trait.name)}", f"unit = {_quoted(trait.unit)}"]
        parts += [f"title = {_quoted(trait.title)}", *_parameters(trait)]
    return "\n".join([STANDARD_HEAD, *_explained(parts, STANDARD_NOTES)]) + "\n"


def plan_toml(plan: Plan) -> str:
    """The plan as its settings file says it."""
    parts = [f"on = {plan.on}", f"season = {plan.season}"]
    parts += ["", "[keep]", *(f"{group} = {_keep(keep)}" for group, keep in plan.keep.items())]
    parts += [f"most_relationship = {plan.most_relationship:g}"]
    parts += ["", "[worth]", *(f"{name} = {value:g}" for name, value in plan.worth.items())]
    parts += ["", "[look]", f"worth_at_least = {plan.look_worth:g}"]
    parts += ["", "[parents]", f"days = {plan.egg_days}", f"cock_days = {plan.cock_days}"]
    parts += ["", "[blood]", f"same_pen = {plan.same_pen:g}"]
    parts += ["", "[matings]", f"most_inbreeding = {plan.most_inbreeding:g}"]
    if plan.currency:
        parts += ["", "[prices]", f"currency = {_quoted(plan.currency)}"]
    return "\n".join([PLAN_HEAD, *_explained(parts + _spring(plan.spring), PLAN_NOTES)]) + "\n"


def _spring(spring: SpringPlan | None) -> list[str]:
    """What next spring is to give, and the eggs on offer; nothing where the plan asks nothing."""
    if spring is None:
        return []
    wanted = ", ".join(f"{group} = {number}" for group, number in spring.choose_from.items())
    lines = ["", "[spring]", f"choose_from = {{ {wanted} }}", f"sure = {spring.sure:g}"]
    for offer in spring.offers:
        lines += ["", "[[spring.offer]]", f"source = {_quoted(offer.source)}"]
        told = {"price": offer.price, "most": offer.most, "cocks": offer.cocks, "hens": offer.hens}
        lines += [f"{key} = {value:g}" for key, value in told.items() if value is not None]
    return lines


def _explained(lines: list[str], notes: Mapping[str, str]) -> list[str]:
    """The lines, each key with what it does behind it where it first stands."""
    said: set[str] = set()
    explained = []
    for line in lines:
        key = line.partition(" = ")[0]
        explained.append(f"{line}  # {notes[key]}" if key in notes and key not in said else line)
        said.add(key)
    return explained


def _parameters(trait: Section | Measured) -> list[str]:
    lines = []
    if trait.heritability is not None:
        lines.append(f"heritability = {trait.heritability:g}")
    if trait.repeatability is not None:
        lines.append(f"repeatability = {trait.repeatability:g}")
    return lines + ([f"like = {_quoted(trait.like)}"] if trait.like else [])


def _by_sex(limits: Mapping[str, tuple[float, float]]) -> str:
    inner = ", ".join(f"{sex} = [{low:g}, {high:g}]" for sex, (low, high) in limits.items())
    return f"{{ {inner} }}"


def _keep(keep: Keep) -> str:
    parts = []
    if keep.origins:
        quoted = [_quoted(origin) for origin in keep.origins]
        parts.append(f"from = {quoted[0] if len(quoted) == 1 else '[' + ', '.join(quoted) + ']'}")
    parts.append(f"number = {keep.number}")
    if keep.reserve:
        parts.append(f"reserve = {keep.reserve}")
    return f"{{ {', '.join(parts)} }}"


def _quoted(text: str) -> str:
    return f'"{text}"'

"""The holding's years: pens stood up, clutches set, chicks lost, looks taken, birds chosen, sold and kept.

Days are ordinals (`datetime.date.toordinal`) until the forms are written.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np

from demo import breed
from demo.descent import Descent, Model, draw_model


@dataclass(frozen=True)
class Options:
    """What a simulated holding is asked for. Shares are of a record's variance within one base.

    `scored`: `usual` (bought-in cockerels and home-bred pullets) or `all`; each of the `judges` sees each such
    bird with probability `seen` on each of the `rounds` days; each section is missing with probability
    `missing`. `leftovers` bought-in pullets and one home-bred cockerel fewer still live at the last meeting.
    """

    seasons: int = 6
    first: int = 2021
    bought_in: int = 2  # clutches a season
    home_bred: int = 3
    eggs: int = 12  # set in a clutch
    suppliers: int = 4
    hens: int = 9  # in the breeding pen
    new_pullets: int = 4  # kept each season
    rounds: int = 2
    judges: int = 2
    seen: float = 0.7
    scored: str = "usual"
    missing: float = 0.08
    by_rings: float = 0.5  # looks that name the bird by its ring pair
    weighed: float = 0.5  # of the birds that are not scored; scored ones are all weighed
    weighings: int = 6  # of a bird, four weeks apart
    measured: float = 0.4  # of scored birds have their shanks measured
    unnamed: bool = True  # some weighings of chicks known by their clutch ring alone
    heritability: float | None = None  # None: the standard's
    correlation: float | None = None  # None: drawn a pair, about N(0.15, 0.15²)
    supplier: float = 0.5  # variance of a supplier's effect, a share of G
    same_pen: float = 0.5
    clutch: float = 0.04
    brooder: float = 0.05
    day: float = 0.02
    halo: float = 0.05
    levels: float = 0.4  # sd of judge × season levels, in a trait's sd
    serious: float = 0.04  # birds with a serious fault
    leftovers: int = 3
    late_chick: bool = True
    hen_sd: float = 0.10  # of hens' own laying rates
    hatch_year_sd: float = 0.15  # of hatch years' deviations, on the logit
    age_decline: float = 0.8
    uncounted: float = 0.05  # days of the counting season without a row


@dataclass(slots=True)
class Bird:
    """One bird of the books. `row` is its row in the descent; `effects` its clutch's and brooder's together."""

    bird: str
    row: int
    male: bool
    clutch: str | None
    hatched: int
    year: int
    bought: bool
    gone: int | None = None
    why: str | None = None
    sexed: bool = True
    fault: str | None = None
    total: float = np.nan  # the rough mean of its raw totals
    ringed: bool = True  # has its own ring, not the clutch's alone


@dataclass
class History:
    """Everything that happened and everything behind it, as the years go by."""

    options: Options
    rng: np.random.Generator
    model: Model
    descent: Descent
    birds: list[Bird] = field(default_factory=list)
    clutches: list[dict] = field(default_factory=list)
    pens: list[list] = field(default_factory=list)  # pen, bird, from, to
    looks: list[dict] = field(default_factory=list)  # one a judge's day: the arrays of seen.py
    decisions: list[dict] = field(default_factory=list)
    sold: list[dict] = field(default_factory=list)  # bird, on, sold_as, total, lot
    common: dict[str, np.ndarray] = field(default_factory=dict)  # clutch and brooder×season effects (m,)
    rearing: dict[str, str] = field(default_factory=dict)  # a clutch's brooder×season
    levels: dict[tuple[str, int], np.ndarray] = field(default_factory=dict)  # judge × season (by eye)
    days: dict[tuple[str, int], np.ndarray] = field(default_factory=dict)  # judge × day (by eye)
    seasons: dict[tuple[int, bool], np.ndarray] = field(default_factory=dict)  # season × male (m,)
    permanent: dict[int, np.ndarray] = field(default_factory=dict)  # by descent row (m,)
    stock: dict[str, tuple[np.ndarray, np.ndarray]] = field(
        default_factory=dict
    )  # a pen's cocks, hens (rows)
    effects: dict[str, np.ndarray] = field(default_factory=dict)  # supplier's, and home founders', (m,)


def day(year: int, month: int, dom: int) -> int:
    """The ordinal of a day."""
    return date(year, month, dom).toordinal()


def live(options: Options, rng: np.random.Generator) -> History:
    """The holding's whole history under these options."""
    o = options
    model = draw_model(rng, o.heritability, o.correlation, o.supplier, o.clutch, o.brooder, o.day, o.halo)
    room = 60 + o.seasons * ((o.bought_in + o.home_bred) * o.eggs + o.bought_in * 12 + 8)
    history = History(o, rng, model, Descent(model, rng, room))
    cock, hens = _found(history)
    for season in range(o.first, o.first + o.seasons):
        cock, hens = _season(history, season, cock, hens)
    return history


def _found(h: History) -> tuple[Bird, list[Bird]]:
    """The home founders: a cock and hens of the two years before the first season."""
    h.effects["home"] = h.descent.effect()
    rows = h.descent.founders(h.options.hens + 1, h.effects["home"])
    for serial, row in enumerate(rows, 1):
        year = h.options.first - (1 if serial <= 1 + (h.options.hens + 1) // 2 else 2)
        label = f"{year % 100:02d}-{serial:03d}"
        h.birds.append(Bird(label, row, serial == 1, None, day(year, 4, 1), year, False))
        h.permanent[row] = _normal(h, h.model.permanent)
    return h.birds[0], h.birds[1:]


def _season(h: History, season: int, cock: Bird, hens: list[Bird]) -> tuple[Bird, list[Bird]]:
    """One season from the breeding pen to the meeting; the cock and hens of the next."""
    from demo.seen import judge_season

    last = season == h.options.first + h.options.seasons - 1
    h.pens += [[breed.BREEDING_PEN, b.bird, day(season, 1, 20), day(season, 6, 10)] for b in (cock, *hens)]
    chicks = _hatch_season(h, season, cock, hens)
    _lose(h, season, chicks)
    _sell_in_summer(h, season, chicks, last)
    _house_hens(h, season, hens, last)
    judge_season(h, season, chicks)
    if last:
        if h.options.late_chick:
            _late_chick(h, season, cock, hens)
        return cock, hens
    return _meeting(h, season, chicks, cock, hens)


def _normal(h: History, variance: np.ndarray) -> np.ndarray:
    return h.rng.standard_normal(len(variance)) * np.sqrt(variance)


# -- hatching ---------------------------------------------------------------------------------------------


def _hatch_season(h: History, season: int, cock: Bird, hens: list[Bird]) -> list[Bird]:
    """Set and hatch the season's clutches; every chick of them."""
    o, rng = h.options, h.rng
    for male in (True, False):
        h.seasons[season, male] = rng.standard_normal(len(h.model.sd)) * 0.25 * h.model.sd
    names = breed.SUPPLIERS[: o.suppliers + 1] if o.suppliers == 4 else breed.SUPPLIERS[: o.suppliers]
    sources = rng.choice(names, size=o.bought_in, replace=o.bought_in > len(names))
    used: set[str] = set()
    chicks: list[Bird] = []
    for k in range(o.bought_in):
        source = str(sources[k])
        _restock(h, source, renew=source not in used)
        used.add(source)
        chicks += _clutch(h, season, f"B{k + 1}", source, *h.stock[source], set_on=None)
    home = np.array([hen.row for hen in hens])
    for k in range(o.home_bred):
        chicks += _clutch(h, season, f"H{k + 1}", None, np.array([cock.row]), home, set_on=None)
    return chicks


def _restock(h: History, source: str, renew: bool) -> None:
    """The supplier's breeding birds this spring: each is last time's again with probability `same_pen`."""
    supplier = source.split("/")[0]
    if supplier not in h.effects:
        h.effects[supplier] = h.descent.effect()
    if source not in h.stock:
        # one pen in two is of the usual size, 1 cock and 6 hens; the supplier may then leave it untold
        cocks, hens = (
            (1, 6) if h.rng.random() < 0.5 else (int(h.rng.integers(1, 3)), int(h.rng.integers(4, 9)))
        )
        effect = h.effects[supplier]
        h.stock[source] = (h.descent.founders(cocks, effect), h.descent.founders(hens, effect))
    elif renew:
        h.stock[source] = tuple(_renewed(h, rows, h.effects[supplier]) for rows in h.stock[source])


def _renewed(h: History, rows: np.ndarray, effect: np.ndarray) -> np.ndarray:
    new = h.rng.random(len(rows)) >= h.options.same_pen
    rows = rows.copy()
    rows[new] = h.descent.founders(int(new.sum()), effect)
    return rows


def _clutch(
    h: History,
    season: int,
    code: str,
    source: str | None,
    cocks: np.ndarray,
    hens: np.ndarray,
    set_on: int | None,
) -> list[Bird]:
    """Set and hatch one clutch: its row, its effects, its chicks."""
    rng, late = h.rng, set_on is not None
    label = f"{season % 100:02d}-{code}"
    set_on = set_on or day(season, 3, 1) + int(rng.integers(0, 36))
    eggs = 3 if late else h.options.eggs
    fertile = int(rng.binomial(eggs, 0.88))
    hatched = max(int(rng.binomial(fertile, 0.88)), 1)
    fertile = max(fertile, hatched)
    brooder = "under a hen" if late else breed.BROODERS[int(rng.integers(len(breed.BROODERS)))]
    told = source is not None and ((len(cocks), len(hens)) != (1, 6) or rng.random() < 0.3)
    h.clutches.append(
        {
            "clutch": label,
            "origin": "home-bred" if source is None else "bought-in",
            "source": source,
            "pen": breed.BREEDING_PEN if source is None else None,
            "set_on": set_on,
            "hatched_on": set_on + 21 + int(rng.choice([-1, 0, 0, 0, 0, 1])),
            "eggs_set": eggs,
            "fertile": fertile,
            "hatched": hatched,
            "cocks": len(cocks) if told else None,
            "hens": len(hens) if told else None,
            "brooder": brooder,
        }
    )
    return _chicks(h, season, h.clutches[-1], cocks, hens)


def _chicks(h: History, season: int, clutch: dict, cocks: np.ndarray, hens: np.ndarray) -> list[Bird]:
    n, rng, label = clutch["hatched"], h.rng, clutch["clutch"]
    h.common[label] = _normal(h, h.model.clutch)
    h.rearing[label] = f"{clutch['brooder']} {season}"
    h.common.setdefault(h.rearing[label], _normal(h, h.model.brooder))
    rows = h.descent.chicks(rng.choice(cocks, n), rng.choice(hens, n))
    permanent = rng.standard_normal((n, len(h.model.sd))) * np.sqrt(h.model.permanent)
    h.permanent.update(zip(rows, permanent, strict=True))
    male = rng.random(n) < 0.5
    serious = rng.random(n) < h.options.serious
    serial = sum(b.year == season for b in h.birds)
    faults = [f.name for f in breed.FAULTS if f.serious]
    born = [
        Bird(
            f"{season % 100:02d}-{serial + i + 1:03d}",
            row,
            bool(male[i]),
            label,
            clutch["hatched_on"],
            season,
            clutch["source"] is not None,
            fault=faults[int(rng.integers(len(faults)))] if serious[i] else None,
        )
        for i, row in enumerate(rows)
    ]
    h.birds += born
    return born


def _late_chick(h: History, season: int, cock: Bird, hens: list[Bird]) -> None:
    """A broody hen's few late eggs: one chick still too young to sex lives to the meeting."""
    home = np.array([hen.row for hen in hens])
    chicks = _clutch(
        h, season, f"H{h.options.home_bred + 1}", None, np.array([cock.row]), home, set_on=day(season, 7, 28)
    )
    for chick in chicks:
        chick.sexed, chick.ringed = False, False
    for chick in chicks[1:]:
        chick.gone, chick.why = chick.hatched + int(h.rng.integers(2, 30)), "died"


# -- losses, sales, pens ------------------------------------------------------------------------------------


def _lose(h: History, season: int, chicks: list[Bird]) -> None:
    """Early deaths (before anyone could sex the chick) and a few later ones."""
    fate = h.rng.random(len(chicks))
    for chick, u in zip(chicks, fate, strict=True):
        if u < 0.06:
            chick.gone, chick.why, chick.sexed = chick.hatched + int(h.rng.integers(1, 36)), "died", False
        elif u < 0.09:
            chick.gone, chick.why = chick.hatched + int(h.rng.integers(60, 130)), "died"


def _sell_in_summer(h: History, season: int, chicks: list[Bird], last: bool) -> None:
    """Bought-in pullets go as layers, home-bred cockerels to the table; a few are left at the last meeting."""
    if h.options.scored == "all":
        return  # they are wanted for the looks; the meeting sells them
    leave = {True: max(h.options.leftovers - 1, 0) if last else 0, False: h.options.leftovers if last else 0}
    goes = [b for b in chicks if b.why is None and b.bought != b.male]
    order = h.rng.permutation(len(goes))
    for bird in (goes[i] for i in order):
        if leave[bird.male]:
            leave[bird.male] -= 1
            bird.ringed = bird.male
        elif bird.male:
            _go_to_table(h, season, bird)
        else:
            on = day(season, 6, 20) + int(h.rng.integers(0, 66))
            bird.ringed = on > bird.hatched + 84
            _sell(h, bird, max(on, bird.hatched + 63), "layer")


def _go_to_table(h: History, season: int, bird: Bird) -> None:
    on = day(season, 7, 1) + int(h.rng.integers(0, 60))
    if h.rng.random() < 0.4:
        _sell(h, bird, on, "table")
    else:
        bird.gone, bird.why = on, "killed"


def _sell(h: History, bird: Bird, on: int, sold_as: str, lot: str | None = None) -> None:
    bird.gone, bird.why = on, "sold"
    h.sold.append({"bird": bird, "on": on, "sold_as": sold_as, "lot": lot})


def _house_hens(h: History, season: int, hens: list[Bird], last: bool) -> None:
    """The hens' summer: two laying pens of mixed hatch years, a death now and then."""
    until = None if last else day(season + 1, 1, 18)
    for k, hen in enumerate(sorted(hens, key=lambda b: (b.year, b.bird))):
        if h.rng.random() < 0.05:
            hen.gone, hen.why = day(season, 7, 1) + int(h.rng.integers(0, 90)), "died"
        pen = breed.LAYING_PENS[k % len(breed.LAYING_PENS)]
        h.pens.append([pen, hen.bird, day(season, 6, 12), hen.gone if hen.why else until])


# -- the past meetings ----------------------------------------------------------------------------------------


def _meeting(
    h: History, season: int, chicks: list[Bird], cock: Bird, hens: list[Bird]
) -> tuple[Bird, list[Bird]]:
    """Choose by the rough raw totals, write the decisions down, sell the rest, and stand the next pen."""
    alive = [b for b in chicks if b.why is None]
    cockerels = _by_total(b for b in alive if b.male and b.bought)
    pullets = _by_total(b for b in alive if not b.male and not b.bought)
    kept = pullets[: h.options.new_pullets]
    next_cock = cockerels[0] if cockerels else cock
    _decide(h, season, cockerels, cockerels[:1], cockerels[1:2])
    _decide(h, season, pullets, kept, [])
    _sell_in_autumn(h, season, [*cockerels[1:], *pullets[h.options.new_pullets :]])
    for bird in (b for b in alive if b.why is None and b not in kept and b is not next_cock):
        _sell(h, bird, day(season, 10, 20) + int(h.rng.integers(0, 20)), "table" if bird.male else "layer")
    standing = sorted((b for b in hens if b.why is None), key=lambda b: b.year)
    over = max(len(standing) + len(kept) - h.options.hens, 0)
    for hen in standing[:over]:
        _sell(h, hen, day(season, 11, 15), "layer")
        _leave_pen(h, hen)
    if next_cock is not cock:
        cock.gone, cock.why = day(season, 11, 15), "given"
    for k, pullet in enumerate(kept):
        pen = breed.LAYING_PENS[k % len(breed.LAYING_PENS)]
        h.pens.append([pen, pullet.bird, day(season, 10, 20), day(season + 1, 1, 18)])
    return next_cock, [*standing[over:], *kept]


def _by_total(birds: object) -> list[Bird]:
    """Best rough total first; barred birds and birds never scored behind all others."""
    return sorted(birds, key=lambda b: (b.fault is not None, -np.nan_to_num(b.total, nan=-1.0), b.bird))


def _decide(h: History, season: int, birds: list[Bird], keep: list[Bird], reserve: list[Bird]) -> None:
    for bird in birds:
        decided = "keep" if bird in keep else "reserve" if bird in reserve else "sell"
        why = f"{bird.fault}" if bird.fault and decided == "sell" else None
        h.decisions.append({"on": day(season, 10, 10), "bird": bird.bird, "decided": decided, "why": why})


def _sell_in_autumn(h: History, season: int, birds: list[Bird]) -> None:
    """Those not chosen: one trio to one buyer, good ones for breeding, the others as layers, pets or meat."""
    sound = [b for b in birds if b.fault is None]
    trio = [b for b in sound if b.male][1:2] + [b for b in sound if not b.male][:2]
    if len(trio) == 3:
        for bird in trio:
            _sell(h, bird, day(season, 10, 24), "breeding", lot=f"{season % 100:02d}-trio")
    for bird in (b for b in birds if b.why is None):
        on = day(season, 10, 20) + int(h.rng.integers(0, 25))
        u = h.rng.random()
        if bird.fault is not None:
            _sell(h, bird, on, "table" if bird.male else "layer")
        elif bird.male:
            _sell(h, bird, on, "breeding" if u < 0.6 else "pet" if u < 0.75 else "table")
        else:
            _sell(h, bird, on, "breeding" if u < 0.5 else "layer" if u < 0.95 else "pet")


def _leave_pen(h: History, bird: Bird) -> None:
    """Close the bird's last pen row on the day it went."""
    row = next(row for row in reversed(h.pens) if row[1] == bird.bird)
    row[3] = min(row[3] or bird.gone, bird.gone)

"""Ten years of choosing with the truth known: this library under a relationship ceiling against raw points.

Run as `python -m tests.benchmarks.simulate_policies [flocks] [years] [first seed]`; a flock takes some twenty
seconds of one idle core. A closed flock of three pens (a cock and four hens each) rears 18 cockerels and 18
pullets a year, looked at by two judges in three sections (heritability 0.35, repeatability 0.50, genetic
correlations 0.15; the spread of merit is 3.9 points). Six pullets join the six youngest hens each year, then
three new cocks are chosen for that flock. All of it is done twice: with any hen of a pen as a chick's possible
dam, and with the dam of each chick on record. Every way starts from the same birds:

- raw points: the highest mean total; hens to pens by lot
- unrestricted merit: the highest merit of the library's model; hens to pens by lot
- merit, halfway: the best set under a ceiling on relationship with the flock as it will be, the chosen among it
  (`decide.frontier`), halfway between that of the least related set and that of the set of most merit; hens
  put to cocks by the allotment
- merit, price P: the same, the ceiling set each time where one step further would cost more than P points of
  mean merit for a whole unit of mean relationship
- raw points, price P: the same rule on raw points, to tell the ceiling's part from the model's

Printed: true merit and true inbreeding of the last year's chicks, merit beside that of raw points (paired by
flock) and inbreeding beside that of unrestricted merit. Variances are given to the model, as
`merit.posterior.given` takes them: what is studied is the choosing.

Found, 100 flocks and 10 years, dams not told apart (mean ± standard error over flocks):

    raw points           merit 17.95 ± 0.29, beside raw points +0.00 ± 0.00;  F 0.349 ± 0.006, 0.87 of unrestricted
    unrestricted merit   merit 18.45 ± 0.28, beside raw points +0.50 ± 0.21;  F 0.400 ± 0.006, 1.00 of unrestricted
    merit, halfway       merit 16.78 ± 0.28, beside raw points -1.16 ± 0.32;  F 0.268 ± 0.003, 0.67 of unrestricted
    merit, price 15      merit 18.25 ± 0.29, beside raw points +0.30 ± 0.35;  F 0.306 ± 0.004, 0.76 of unrestricted
    merit, price 25      merit 17.69 ± 0.28, beside raw points -0.26 ± 0.34;  F 0.285 ± 0.004, 0.71 of unrestricted
    raw points, price 15 merit 17.91 ± 0.29, beside raw points -0.03 ± 0.36;  F 0.291 ± 0.004, 0.73 of unrestricted

The same 100 flocks with dams told apart:

    raw points           merit 17.95 ± 0.29, beside raw points +0.00 ± 0.00;  F 0.349 ± 0.006, 0.79 of unrestricted
    unrestricted merit   merit 18.39 ± 0.28, beside raw points +0.44 ± 0.21;  F 0.442 ± 0.008, 1.00 of unrestricted
    merit, halfway       merit 14.99 ± 0.26, beside raw points -2.95 ± 0.31;  F 0.213 ± 0.002, 0.48 of unrestricted
    merit, price 15      merit 18.23 ± 0.28, beside raw points +0.28 ± 0.33;  F 0.281 ± 0.003, 0.63 of unrestricted
    merit, price 25      merit 17.45 ± 0.29, beside raw points -0.50 ± 0.32;  F 0.244 ± 0.002, 0.55 of unrestricted
    raw points, price 15 merit 17.43 ± 0.28, beside raw points -0.52 ± 0.32;  F 0.258 ± 0.003, 0.58 of unrestricted

So with dams on record a ceiling set by a price of 15 (a twenty-fifth of the spread of merit for each 0.01 of
relationship) keeps inbreeding under two thirds of unrestricted merit's and gains no less than raw points, as far
as 100 flocks can tell. With dams not told apart none of these ceilings does both: at price 15 nothing is lost
beside raw points with three quarters of the inbreeding, and two thirds of it cost a point of merit. Two reasons
show. A ceiling halfway between the ends of each year's curve pays whatever that year asks; one price in all
years keeps a point or more that halfway gives away. And where dams are not told apart the model cannot tell full
sibs from half sibs: under one ceiling it chooses no better than raw points, and families cannot be kept apart;
raw points, being noisy, spread their choice over families and end at 0.87 of unrestricted merit's inbreeding
unasked. (Prices were first tried on flocks numbered from 1000 on.)
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from datetime import date

import numpy as np
import pandas as pd

from selection.decide.matings.matings import allot
from selection.decide.verdicts.choice import Kin, best_set, frontier
from selection.merit.observations import observe
from selection.merit.posterior import given
from selection.merit.relationship.parentage import parentage
from selection.merit.relationship.pedigree import Pedigree
from selection.merit.season_model import Variances, season_model
from selection.records.flock import assemble
from selection.records.settings.plan import Keep, Plan
from selection.records.settings.reading import Section, Standard
from selection.standard.growth import fit_growth

STANDARD = Standard(
    "Invented fowl", tuple(Section(n, n, p) for n, p in (("type", 40.0), ("head", 30.0), ("feather", 30.0)))
)
SECTIONS = [s.name for s in STANDARD.sections]
SD = 0.1 * np.array([s.points for s in STANDARD.sections])
HERITABILITY, REPEATABILITY, CORRELATION = 0.35, 0.50, 0.15
RESIDUAL = 0.47
PENS, HENS, PULLETS, CHICKS = 3, 12, 6, 18
FIRST = 2001


@dataclass(frozen=True)
class Way:
    """One way of choosing and mating.

    by: `raw` or `merit`; ceiling: None, `halfway`, or the price in points of mean merit for a unit of mean
    relationship that it is worth. With a ceiling hens go to cocks by the allotment, without one by lot.
    """

    name: str
    by: str
    ceiling: float | str | None = None


WAYS = (
    Way("raw points", "raw"),
    Way("unrestricted merit", "merit"),
    Way("merit, halfway", "merit", "halfway"),
    Way("merit, price 15", "merit", 15.0),
    Way("merit, price 25", "merit", 25.0),
    Way("raw points, price 15", "raw", 15.0),
)


def between(share: float) -> np.ndarray:
    """Covariance of a part of the variance that is correlated between sections."""
    correlation = np.full((3, 3), CORRELATION) + (1 - CORRELATION) * np.eye(3)
    return share * correlation * np.outer(SD, SD)


@dataclass
class Truth:
    """A flock's true birds: parents, breeding values, permanent parts, relationships."""

    rng: np.random.Generator
    names: list[str] = field(default_factory=list)
    values: list[np.ndarray] = field(default_factory=list)
    lasting: list[np.ndarray] = field(default_factory=list)
    A: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))

    def add(self, name: str, sire: str | None = None, dam: str | None = None) -> None:
        """A founder, or a chick of `sire` and `dam`."""
        n = len(self.names)
        row, own, mean, mendelian = np.zeros(n), 1.0, np.zeros(3), 1.0
        if sire and dam:
            s, d = self.names.index(sire), self.names.index(dam)
            row, own = 0.5 * (self.A[s] + self.A[d]), 1 + 0.5 * self.A[s, d]
            mean = 0.5 * (self.values[s] + self.values[d])
            mendelian = 0.5 * (1 - 0.5 * (self.A[s, s] + self.A[d, d] - 2))
        self.A = np.block([[self.A, row[:, None]], [row[None, :], np.array([[own]])]])
        draw = self.rng.multivariate_normal
        self.values.append(mean + np.sqrt(mendelian) * draw(np.zeros(3), between(HERITABILITY)))
        self.lasting.append(draw(np.zeros(3), between(REPEATABILITY - HERITABILITY)))
        self.names.append(name)

    def of(self, birds: list[str]) -> tuple[float, float]:
        """Mean true merit (points) and mean inbreeding of some birds."""
        at = [self.names.index(b) for b in birds]
        return float(np.mean([self.values[i].sum() for i in at])), float(np.diag(self.A)[at].mean() - 1)


@dataclass
class Books:
    """What the holding writes down."""

    birds: list[dict] = field(default_factory=list)
    clutches: list[dict] = field(default_factory=list)
    pens: list[dict] = field(default_factory=list)
    scores: list[dict] = field(default_factory=list)

    def flock(self, year: int):
        """The flock on the autumn day of `year`."""
        keep = {"cockerels": Keep(PENS), "pullets": Keep(PULLETS)}
        plan = Plan(on=date(year, 10, 10), season=year, keep=keep)
        forms = {name: pd.DataFrame(getattr(self, name)) for name in ("birds", "clutches", "pens", "scores")}
        forms["birds"]["clutch"] = forms["birds"]["clutch"].astype("str")
        return assemble(STANDARD, plan, forms)


def spring(
    truth: Truth, books: Books, year: int, pens: dict[str, list[str]], dams_known: bool
) -> dict[str, list[str]]:
    """Hatch the year's chicks of each pen (cock → hens), equal numbers of both sexes: sex → chicks.

    `dams_known`: each chick's dam is written down; else any hen of its pen may be the one.
    """
    rng, young = truth.rng, {"male": [], "female": []}
    for p, (cock, hens) in enumerate(pens.items()):
        clutch = f"{year}-{p}"
        for bird in (cock, *hens):
            stand = {"pen": f"pen {p}", "bird": bird, "from": pd.Timestamp(year, 1, 10)}
            books.pens.append({**stand, "to": pd.Timestamp(year, 6, 1)})
        day = {"set_on": pd.Timestamp(year, 3, 20), "hatched_on": pd.Timestamp(year, 4, 10)}
        books.clutches.append({"clutch": clutch, "origin": "home-bred", "pen": f"pen {p}", **day})
        for i in range(2 * CHICKS // len(pens)):
            sex, name = ("male", "female")[i % 2], f"{clutch}-{i:02d}"
            dam = str(rng.choice(hens))
            truth.add(name, cock, dam)
            told = {"dam": dam} if dams_known else {}
            books.birds.append({"bird": name, "sex": sex, "clutch": clutch, "hatched_on": None, **told})
            young[sex].append(name)
    return young


def look(truth: Truth, books: Books, year: int, young: dict[str, list[str]]) -> None:
    """Two judges score every chick once; each has a level of its own."""
    rng = truth.rng
    for j, judge in enumerate("MT"):
        level = 0.4 * SD * rng.standard_normal(3)
        for bird in (*young["male"], *young["female"]):
            i = truth.names.index(bird)
            seen = truth.values[i] + truth.lasting[i] + level
            seen = seen + np.sqrt(1 - REPEATABILITY) * SD * rng.standard_normal(3)
            points = 7.0 * SD + seen
            row = {"on": pd.Timestamp(year, 9, 1 + j), "judge": judge, "bird": bird, "faults": None}
            books.scores.append({**row, **dict(zip(SECTIONS, points, strict=True))})


def estimates(way: Way, books: Books, year: int) -> tuple[pd.Series, Pedigree]:
    """What a way chooses by, bird by bird; and the pedigree as the holding knows it."""
    flock = books.flock(year)
    family = parentage(flock)
    if way.by == "raw":
        return flock.scores.set_index("bird")[SECTIONS].sum(axis=1).groupby(level=0).mean(), family.pedigree
    model = season_model(observe(flock, fit_growth(flock)), family, pd.Index(flock.birds["bird"]))
    shares = [0.01, 0.01, 0.01, REPEATABILITY - HERITABILITY, HERITABILITY, RESIDUAL]
    correlation = np.full((3, 3), CORRELATION) + (1 - CORRELATION) * np.eye(3)
    parts = np.outer(SD**2, shares)
    known = given(model, Variances(parts, correlation, correlation, np.eye(3)))
    values = known.solution.at("genetic").reshape(-1, len(model.traits)).sum(axis=1)
    return pd.Series(values, model.kinship.birds), family.pedigree


def choose(
    way: Way, birds: list[str], number: int, value: pd.Series, pedigree: Pedigree, joined: list[str]
) -> list[str]:
    """The `number` of `birds` that a way of choosing keeps to join the birds `joined`."""
    points = value[birds].to_numpy(dtype=float)
    if way.ceiling is None:
        return [birds[i] for i in best_set(points, number).chosen]
    joining = pedigree.relationship(birds, joined).sum(axis=1)
    curve = frontier(points, Kin(joining, len(joined), pedigree.relationship(birds)), number)
    if way.ceiling == "halfway":
        at = curve.under((curve.relationship[0] + curve.relationship[-1]) / 2)
        assert at is not None
    else:
        at = int(np.argmax(curve.merit - float(way.ceiling) * curve.relationship))
    return [birds[i] for i in curve.sets[at]]


def put(
    way: Way, cocks: list[str], hens: list[str], pedigree: Pedigree, rng: np.random.Generator
) -> dict[str, list[str]]:
    """Hens to cocks, pens of one size: by lot, or by the allotment."""
    if way.ceiling is None:
        parts = np.array_split(rng.permutation(hens), len(cocks))
        return {c: [str(h) for h in part] for c, part in zip(cocks, parts, strict=True)}
    F = 0.5 * pedigree.relationship(cocks, hens)
    pairs = pd.DataFrame([(c, h) for c in cocks for h in hens], columns=["cock", "hen"])
    pairs = pairs.assign(inbreeding=F.ravel(), merit=0.0, allowed="yes", why="")
    table = allot(pairs, cocks, hens, -(-len(hens) // len(cocks))).table
    return {c: table.loc[table["cock"] == c, "hen"].tolist() for c in cocks}


def live(way: Way, seed: int, years: int, dams_known: bool = False) -> tuple[float, float]:
    """Mean true merit and inbreeding of the last year's chicks under one way."""
    truth, books = Truth(np.random.default_rng(seed)), Books()
    cocks, hens = [f"C{i}" for i in range(PENS)], [f"H{i:02d}" for i in range(HENS)]
    for bird in (*cocks, *hens):
        truth.add(bird)
        sex = "male" if bird in cocks else "female"
        books.birds.append({"bird": bird, "sex": sex, "clutch": None, "hatched_on": str(FIRST - 1)})
    pens = {c: [str(h) for h in part] for c, part in zip(cocks, np.array_split(hens, PENS), strict=True)}
    young: dict[str, list[str]] = {}
    for year in range(FIRST, FIRST + years):
        young = spring(truth, books, year, pens, dams_known)
        look(truth, books, year, young)
        value, pedigree = estimates(way, books, year)
        staying = hens[: HENS - PULLETS]
        hens = [*choose(way, young["female"], PULLETS, value, pedigree, staying), *staying]
        cocks = choose(way, young["male"], PENS, value, pedigree, hens)
        pens = put(way, cocks, hens, pedigree, truth.rng)
    return truth.of([*young["male"], *young["female"]])


def main(flocks: int = 12, years: int = 10, first: int = 0) -> None:
    """Print both tables, dams within a pen not told apart and told apart; flocks are numbered from `first` on."""
    for dams_known in (False, True):
        seeds = range(first, first + flocks)
        found = {way.name: np.array([live(way, s, years, dams_known) for s in seeds]) for way in WAYS}
        print(f"{flocks} flocks, {years} years, dams {'told apart' if dams_known else 'not told apart'}:")
        print("\n".join(lines(found)))


def lines(found: dict[str, np.ndarray]) -> list[str]:
    """One line a way of (flocks × merit and F): means with standard errors, beside raw points and merit alone."""
    raw, free = found["raw points"], found["unrestricted merit"]
    said = []
    for name, values in found.items():
        n = len(values)
        mean, se = values.mean(axis=0), values.std(axis=0, ddof=1) / np.sqrt(n)
        off = values[:, 0] - raw[:, 0]
        said.append(
            f"{name:20} merit {mean[0]:5.2f} ± {se[0]:.2f}, beside raw points {off.mean():+.2f} ± "
            f"{off.std(ddof=1) / np.sqrt(n):.2f};  F {mean[1]:.3f} ± {se[1]:.3f}, "
            f"{mean[1] / free[:, 1].mean():.2f} of unrestricted"
        )
    return said


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:4]))

"""Ten years of choosing with the truth known: this library under its relationship ceiling against two rules.

Run as `python -m tests.benchmarks.simulate_policies [flocks] [years]`; 12 flocks take some four minutes of one
idle core. A closed flock of three pens (a cock and four hens each; dams within a pen not told apart) rears 18
cockerels and 18 pullets a year, looked at by two judges in three sections (heritability 0.35, repeatability
0.50, genetic correlations 0.15). Six pullets join the six youngest hens each year, then three new cocks are
chosen for that flock. Five ways of choosing and mating start from the same birds:

- raw points: the highest mean total; hens to pens by lot
- unrestricted merit: the highest merit of the library's model; hens to pens by lot
- standing flock alone: the best set whose mean relationship with the birds it joins is under a ceiling, not
  counting how the chosen are related to one another; hens to cocks by the allotment
- whole flock, by lot: the ceiling on relationship with the flock as it will be, the chosen among it
  (`decide.frontier`); hens to pens by lot
- whole flock: the same, with hens put to cocks by the allotment

The ceiling lies halfway between the relationship of the least related set and that of the set of most merit.

Printed: true merit and true inbreeding of the last year's chicks, merit beside that of raw points (paired by
flock) and inbreeding beside that of unrestricted merit. Variances are given to the model, as
`merit.posterior.given` takes them: what is studied is the choosing.

Found, 12 flocks and 10 years (mean ± standard error):

    raw points             merit 18.60 ± 0.78, beside raw points +0.00;         F 0.351, 0.90 of unrestricted
    unrestricted merit     merit 19.13 ± 0.59, beside raw points +0.52 ± 0.47;  F 0.391, 1.00 of unrestricted
    standing flock alone   merit 14.59 ± 0.58, beside raw points -4.02 ± 1.07;  F 0.268, 0.69 of unrestricted
    whole flock, by lot    merit 18.77 ± 0.72, beside raw points +0.17 ± 0.42;  F 0.293, 0.75 of unrestricted
    whole flock            merit 17.90 ± 0.61, beside raw points -0.71 ± 1.02;  F 0.262, 0.67 of unrestricted

So a ceiling that counts the chosen among the flock brings inbreeding to two thirds of unrestricted merit's with
a merit that 12 flocks cannot tell from that of raw points; a ceiling that looks at the standing birds alone
keeps families together and pays four points of merit for the same inbreeding.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from datetime import date

import numpy as np
import pandas as pd

from selection.decide.allotment import allot
from selection.decide.choice import best_set
from selection.decide.frontier import Kin, frontier
from selection.merit.observations import observe
from selection.merit.parentage import parentage
from selection.merit.pedigree import Pedigree
from selection.merit.posterior import given
from selection.merit.season_model import Variances, design
from selection.records.flock import assemble
from selection.records.settings import Keep, Plan, Section, Standard
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
WAYS = ("raw points", "unrestricted merit", "standing flock alone", "whole flock, by lot", "whole flock")
ALLOTTED = ("standing flock alone", "whole flock")


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


def spring(truth: Truth, books: Books, year: int, pens: dict[str, list[str]]) -> dict[str, list[str]]:
    """Hatch the year's chicks of each pen (cock → hens), equal numbers of both sexes: sex → chicks."""
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
            truth.add(name, cock, str(rng.choice(hens)))
            books.birds.append({"bird": name, "sex": sex, "clutch": clutch, "hatched_on": None})
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


def estimates(books: Books, year: int) -> tuple[pd.Series, pd.Series, Pedigree]:
    """By bird: the library's merit, and the mean raw total; and the pedigree as the holding knows it."""
    flock = books.flock(year)
    living = pd.Index(flock.birds["bird"])
    model = design(observe(flock, fit_growth(flock)), parentage(flock), living)
    shares = [0.01, 0.01, 0.01, REPEATABILITY - HERITABILITY, HERITABILITY, RESIDUAL]
    correlation = np.full((3, 3), CORRELATION) + (1 - CORRELATION) * np.eye(3)
    parts = np.outer(SD**2, shares)
    known = given(model, Variances(parts, correlation, correlation, np.eye(3)))
    values = known.solution.at("genetic").reshape(-1, len(model.traits)).sum(axis=1)
    merit = pd.Series(values, model.kinship.birds)
    raw = flock.scores.set_index("bird")[SECTIONS].sum(axis=1).groupby(level=0).mean()
    return merit, raw, parentage(flock).pedigree


def choose(
    way: str,
    birds: list[str],
    number: int,
    value: dict[str, pd.Series],
    pedigree: Pedigree,
    joined: list[str],
) -> list[str]:
    """The `number` of `birds` that a way of choosing keeps to join the birds `joined`."""
    points = value["raw" if way == "raw points" else "merit"][birds].to_numpy(dtype=float)
    if way in WAYS[:2]:
        return [birds[i] for i in best_set(points, number).chosen]
    among = pedigree.relationship(birds) if way.startswith("whole") else np.zeros((len(birds), len(birds)))
    kin = Kin(pedigree.relationship(birds, joined).sum(axis=1), len(joined), among)
    curve = frontier(points, kin, number)
    at = curve.under((curve.relationship[0] + curve.relationship[-1]) / 2)
    assert at is not None
    return [birds[i] for i in curve.sets[at]]


def put(
    way: str, cocks: list[str], hens: list[str], pedigree: Pedigree, rng: np.random.Generator
) -> dict[str, list[str]]:
    """Hens to cocks, pens of one size: by lot, or by the allotment."""
    if way not in ALLOTTED:
        parts = np.array_split(rng.permutation(hens), len(cocks))
        return {c: [str(h) for h in part] for c, part in zip(cocks, parts, strict=True)}
    F = 0.5 * pedigree.relationship(cocks, hens)
    pairs = pd.DataFrame([(c, h) for c in cocks for h in hens], columns=["cock", "hen"])
    pairs = pairs.assign(inbreeding=F.ravel(), merit=0.0, allowed="yes", why="")
    table = allot(pairs, cocks, hens, -(-len(hens) // len(cocks))).table
    return {c: table.loc[table["cock"] == c, "hen"].tolist() for c in cocks}


def live(way: str, seed: int, years: int) -> tuple[float, float]:
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
        young = spring(truth, books, year, pens)
        look(truth, books, year, young)
        merit, raw, pedigree = estimates(books, year)
        value = {"merit": merit, "raw": raw}
        staying = hens[: HENS - PULLETS]
        hens = [*choose(way, young["female"], PULLETS, value, pedigree, staying), *staying]
        cocks = choose(way, young["male"], PENS, value, pedigree, hens)
        pens = put(way, cocks, hens, pedigree, truth.rng)
    return truth.of([*young["male"], *young["female"]])


def main(flocks: int = 12, years: int = 10) -> None:
    """Print the table."""
    found = {way: np.array([live(way, seed, years) for seed in range(flocks)]) for way in WAYS}
    raw, free = found["raw points"], found["unrestricted merit"]
    print(f"{flocks} flocks, {years} years; the last year's chicks, mean ± standard error over flocks")
    for way, values in found.items():
        mean, se = values.mean(axis=0), values.std(axis=0, ddof=1) / np.sqrt(flocks)
        off = values[:, 0] - raw[:, 0]
        print(
            f"{way:22} merit {mean[0]:5.2f} ± {se[0]:.2f}, beside raw points {off.mean():+.2f} ± "
            f"{off.std(ddof=1) / np.sqrt(flocks):.2f};  F {mean[1]:.3f} ± {se[1]:.3f}, "
            f"{mean[1] / free[:, 1].mean():.2f} of unrestricted merit"
        )


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]))

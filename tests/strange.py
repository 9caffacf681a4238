"""Strange holdings, drawn at random: standards of any sections, plans, and forms within the contract.

Names are drawn from words that programs are tempted to use themselves. What is drawn is what a breeder might hand
in: few birds or many, one judge, constant sections, totals alone, missing forms, gaps, all barred, unsexed, unnamed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

NAMES = (
    "weight", "looks", "costs", "season", "seen", "value", "cell", "adjusted", "points_seen", "sd", "series", "age",
    "genetic", "section", "trait", "size", "index", "alive", "hatched", "day", "week", "brooder", "rank",
    "merit", "group", "points_of_100", "on_card", "se", "mean", "low", "high", "why", "scale", "level", "0", "été",
    "a b", "x,y", "=sum", "tail & hackle", "<b>", "type", "head", "colour", "legs", "condition", "hatch_year",
)  # fmt: skip
GAUGES = ("shank width", "keel", "grams", "wing span", "time", "height")
LIKES = ("conformation", "body weight", "egg number", "legs", "temperament", None, None, None)
SEASON = 2026


@dataclass(frozen=True)
class Strange:
    """A holding to be handed in: the two settings files and the forms, by name."""

    seed: int
    standard: str
    plan: str
    forms: Mapping[str, pd.DataFrame]

    def write(self, folder: Path) -> Path:
        """The folder of forms as a breeder would hand it in."""
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "standard.toml").write_text(self.standard, encoding="utf-8")
        (folder / "plan.toml").write_text(self.plan, encoding="utf-8")
        for name, form in self.forms.items():
            form.to_csv(folder / f"{name}.csv", index=False)
        return folder


@dataclass(frozen=True)
class Drawn:
    """One section as drawn: its name, points, and what it is measured by (None: by eye)."""

    name: str
    points: float
    measured: str | None
    toml: str


def strange(seed: int) -> Strange:
    """The strange holding of a seed."""
    rng = np.random.default_rng(seed)
    gauges = list(rng.choice(GAUGES, rng.integers(0, 4), replace=False))
    sections = _sections(rng, gauges)
    standard = _standard(rng, sections, gauges)
    birds, clutches, pens = _birds(rng)
    forms = {"birds": birds, "clutches": clutches, "pens": pens}
    if rng.random() < 0.85:
        forms["scores"] = _scores(rng, birds, [s for s in sections if s.measured is None])
    if rng.random() < 0.75:
        forms["weights"] = _weights(rng, birds)
    if gauges and rng.random() < 0.8:
        forms["measures"] = _measures(rng, birds, gauges)
    if rng.random() < 0.3:
        forms["eggs"] = _eggs(rng)
    kept = {
        name: form for name, form in forms.items() if len(form) and (name == "birds" or rng.random() < 0.93)
    }
    return Strange(seed, standard, _plan(rng, sections, gauges), kept)


def _sections(rng: np.random.Generator, gauges: list[str]) -> list[Drawn]:
    count = int(rng.choice([1, 2, 3, 5, 8, 12, 40], p=[0.1, 0.15, 0.25, 0.25, 0.15, 0.07, 0.03]))
    names = list(rng.choice(NAMES, count, replace=False)) if count <= len(NAMES) else []
    weights = rng.dirichlet(np.ones(count) * 3)
    points = np.maximum(np.round(weights * 100 * 2) / 2, 0.5)
    points[points.argmax()] += 100 - points.sum()
    by_measure = rng.choice([0.0, 0.15, 0.4, 1.0], p=[0.35, 0.35, 0.2, 0.1])
    return [_section(rng, name, p, gauges, by_measure) for name, p in zip(names, points, strict=True)]


def _section(rng: np.random.Generator, name: str, points: float, gauges: list[str], chance: float) -> Drawn:
    lines = ["[[section]]", f"name = '{name}'", f"points = {points:g}"]
    measured = None
    if rng.random() < chance:
        measured = str(rng.choice(["weight", *gauges]))
        lines += [f'measured = "{measured}"', *_band(rng, measured)]
    like = rng.choice(np.array(LIKES, dtype=object))
    if like and rng.random() < 0.3:
        lines.append(f'like = "{like}"')
    if rng.random() < 0.4:
        lines.append(f"heritability = {rng.uniform(0.05, 0.6):.2f}")
    return Drawn(name, points, measured, "\n".join(lines))


def _band(rng: np.random.Generator, measured: str) -> list[str]:
    middle = {"weight": {"male": 3500.0, "female": 2700.0}}.get(measured, {"male": 15.0, "female": 12.0})
    kinds = (
        {"cockerel": "male", "pullet": "female", "cock": "male", "hen": "female"}
        if rng.random() < 0.4
        else {"male": "male", "female": "female"}
    )
    wide = rng.uniform(0.02, 0.2)
    low = 0 if rng.random() < 0.1 else 1 - 3 * wide
    edges = {"band": (1 - wide, 1 + wide), "none": (low, 1 + 3 * wide)}
    lines = []
    for key, (a, b) in edges.items():
        pairs = [f"{k} = [{middle[sex] * a:.1f}, {middle[sex] * b:.1f}]" for k, sex in kinds.items()]
        lines.append(f"{key} = {{ {', '.join(pairs)} }}")
    if measured == "weight" or rng.random() < 0.5:
        lines.append(f"at_weeks = {rng.choice([12, 20, 24, 30])}")
    if rng.random() < 0.2:
        lines.append(f"grown_weeks = {rng.choice([40, 52, 60])}")
    return lines


def _standard(rng: np.random.Generator, sections: list[Drawn], gauges: list[str]) -> str:
    faults = ['[[fault]]\nname = "wry tail"\nserious = true', '[[fault]]\nname = "pale legs"\ncosts = 2']
    measured = [f'[[measured]]\nname = "{g}"\nunit = "mm"' for g in gauges]
    return (
        "\n\n".join(['breed = "an invented breed"', *(s.toml for s in sections), *faults, *measured]) + "\n"
    )


def _plan(rng: np.random.Generator, sections: list[Drawn], gauges: list[str]) -> str:
    lines = [f"on = {SEASON}-10-10", f"season = {SEASON}", "[keep]"]
    for group, chance in (("cockerels", 0.8), ("pullets", 0.8), ("hens", 0.4), ("cocks", 0.3)):
        if rng.random() < chance:
            origin = rng.choice(["", ', from = "bought-in"', ', from = "home-bred"'])
            lines.append(
                f"{group} = {{ number = {rng.integers(0, 6)}, reserve = {rng.integers(0, 3)}{origin} }}"
            )
    if rng.random() < 0.4:
        lines.append("most_relationship = 0.25")
    if rng.random() < 0.5:
        lines += ["[worth]", f"'{rng.choice([s.name for s in sections])}' = {rng.choice([0, 0.5, 2, -1])}"]
        lines += [f"'{g}' = 0.1" for g in gauges[:1]]
        lines += ["laying = 0.3"] if rng.random() < 0.3 else []
    return "\n".join(lines) + "\n"


def _birds(rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Birds, clutches and pens: a few founders, perhaps a young season, perhaps two."""
    founders = [
        {"bird": f"{y}-{i}", "sex": sex, "hatched_on": str(2000 + y) if rng.random() < 0.7 else ""}
        for y in (23, 24)
        for i, sex in enumerate(["male", *["female"] * int(rng.integers(0, 5))])
    ]
    unsexed = rng.choice([0.0, 0.1, 1.0], p=[0.6, 0.3, 0.1])
    clutches, chicks = [], []
    for k in range(int(rng.choice([0, 1, 2, 4], p=[0.1, 0.25, 0.35, 0.3]))):
        year = SEASON if rng.random() < 0.8 else SEASON - 1
        bought = rng.random() < 0.5
        label, chosen = f"{year - 2000}-C{k}", int(rng.integers(0, 9))
        clutches.append(
            {
                "clutch": label, "origin": "bought-in" if bought else "home-bred",
                "source": str(rng.choice(["Hill", "Dale", "Hill/upper"])) if bought else "",
                "pen": "" if bought else "p1", "set_on": f"{year}-03-{1 + 3 * k:02d}",
                "hatched_on": f"{year}-03-{22 + k:02d}", "eggs_set": 12, "fertile": 10, "hatched": max(chosen, 1),
                "brooder": str(rng.choice(["a", "b", ""])),
            }
        )  # fmt: skip
        chicks += [
            {
                "bird": f"{year - 2000}-{10 * k + i:03d}", "clutch": label,
                "sex": "unknown" if rng.random() < unsexed else str(rng.choice(["male", "female"])),
                "gone_on": f"{year}-08-01" if rng.random() < 0.1 else "",
                "gone_why": "",
            }
            for i in range(chosen)
        ]  # fmt: skip
    columns = ["bird", "sex", "hatched_on", "clutch", "gone_on", "gone_why"]
    birds = pd.DataFrame([*founders, *chicks], columns=columns).fillna("")
    pens = [
        {"pen": "p1", "bird": f["bird"], "from": "2025-01-01", "to": ""}
        for f in founders
        if rng.random() < 0.8
    ]
    return birds, pd.DataFrame(clutches), pd.DataFrame(pens)


def _seen(rng: np.random.Generator, birds: pd.DataFrame, share: float) -> list[str]:
    return [bird for bird in birds["bird"] if rng.random() < share]


def _days(rng: np.random.Generator) -> list[str]:
    start = date(SEASON, 7, 1)
    return [str(start + timedelta(days=int(d))) for d in rng.choice(90, rng.integers(1, 5), replace=False)]


def _scores(rng: np.random.Generator, birds: pd.DataFrame, by_eye: list[Drawn]) -> pd.DataFrame:
    judges = ["Ann", "Ben", "Cas"][: int(rng.integers(1, 4))]
    constant = {s.name: rng.random() < 0.15 for s in by_eye}
    unseen = {s.name: rng.random() < 0.1 for s in by_eye}
    cards = rng.choice([0.0, 0.2, 1.0], p=[0.7, 0.2, 0.1]) if by_eye else 1.0
    barred = rng.choice([0.03, 1.0], p=[0.93, 0.07])
    rows = []
    for day in _days(rng):
        for judge in judges if rng.random() < 0.5 else judges[:1]:
            for bird in _seen(rng, birds, rng.choice([0.2, 0.7, 1.0])):
                row: dict[str, object] = {"on": day, "judge": judge, "bird": bird}
                if rng.random() < barred:
                    row["faults"] = "wry tail"
                if rng.random() < cards:
                    rows.append(row | {"total": round(float(rng.uniform(50, 95)))})
                    continue
                for s in by_eye:
                    given = 0.7 * s.points if constant[s.name] else rng.uniform(0.4, 1) * s.points
                    if not unseen[s.name] and rng.random() < 0.95:
                        row[s.name] = np.floor(4 * given) / 4
                rows.append(row)
    chick = birds[birds["clutch"] != ""].head(1)
    if by_eye and len(chick) and rng.random() < 0.3:
        clutch = chick["clutch"].iloc[0]
        named = {s.name: np.floor(2 * s.points) / 4 for s in by_eye}
        rows.append({"on": "2026-09-01", "judge": "Ann", "clutch": clutch, "sex": "female", "n": 1, **named})
    return pd.DataFrame(rows)


def _weights(rng: np.random.Generator, birds: pd.DataFrame) -> pd.DataFrame:
    rows = [
        {"on": day, "bird": bird, "grams": round(float(rng.normal(2600, 350)))}
        for day in _days(rng)
        for bird in _seen(rng, birds, rng.choice([0.1, 0.6, 1.0]))
    ]
    return pd.DataFrame(rows)


def _measures(rng: np.random.Generator, birds: pd.DataFrame, gauges: list[str]) -> pd.DataFrame:
    constant = rng.random() < 0.15
    rows = [
        {
            "on": day, "bird": bird, "trait": gauge,
            "value": 13.0 if constant else round(float(rng.normal(13, 1.5)), 1),
            "judge": str(rng.choice(["Ann", "Ben", ""])),
        }
        for gauge in gauges
        for day in _days(rng)
        for bird in _seen(rng, birds, 0.5)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def _eggs(rng: np.random.Generator) -> pd.DataFrame:
    start = date(SEASON, 3, 1)
    return pd.DataFrame(
        [
            {"on": str(start + timedelta(days=i)), "pen": "p1", "eggs": int(rng.integers(0, 5))}
            for i in range(20)
        ]
    )

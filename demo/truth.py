"""What lay behind the records, as frames by name; see :class:`demo.holding.Holding` for what each holds."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from demo import breed, seen
from demo.basket import Basket
from demo.history import History
from selection.records.settings import Plan, Standard


def truth(h: History, laying: Basket, standard: Standard, plan: Plan) -> dict[str, pd.DataFrame]:
    """Every frame of truth, by name."""
    names, rows = list(h.model.names), [b.row for b in h.birds]
    birds = _birds(h, standard, plan)
    return {
        "birds": birds,
        "origin": _by_bird(h, h.descent.origin[rows]),
        "permanent": _by_bird(h, np.array([h.permanent[row] for row in rows])),
        "effects": _effects(h),
        "variances": _variances(h),
        "correlation": pd.DataFrame(h.model.correlation, index=names, columns=names),
        "relationship": pd.DataFrame(
            h.descent.relationship[np.ix_(rows, rows)], index=birds["bird"], columns=list(birds["bird"])
        ),
        "hens": pd.DataFrame(laying.hens),
        "laying": pd.DataFrame(laying.rates),
    }


def merit(value: pd.DataFrame, standard: Standard, plan: Plan, spread: float) -> np.ndarray:
    """Merit in points (n,): Σ worth × breeding value, a banded section by :func:`expected_size_points`."""
    total = np.zeros(len(value))
    for section in standard.sections:
        term = value[section.name].to_numpy()
        term = expected_size_points(term, spread) if section.measured else term
        total += plan.worth.get(section.name, 1.0) * term
    for trait in standard.measured:
        total += plan.worth.get(trait.name, 0.0) * value[trait.name].to_numpy()
    return total


def chick_spread(h: History) -> float:
    """Sd of chicks' log weights about their breeding value: Mendelian sampling (½G), clutch, brooder, own."""
    m, size = h.model, h.model.by_eye
    return float(np.sqrt(0.5 * m.G[size, size] + m.clutch[size] + m.brooder[size] + m.permanent[size]))


def expected_size_points(deviation: np.ndarray, spread: float) -> np.ndarray:
    """Expected points for size of chicks whose breeding value is `deviation` (log weight), over both sexes.

    Chicks lie about it with standard deviation `spread`; 64-point Gauss–Hermite.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(64)
    points = np.zeros(len(deviation))
    for male in (True, False):
        mean = seen.expected_grams(np.array([male]), np.array([breed.SIZE.at_weeks]))
        grams = mean * np.exp(deviation[:, None] + spread * nodes)
        points += 0.5 * seen.size_points(grams, male) @ (weights / weights.sum())
    return points


def _birds(h: History, standard: Standard, plan: Plan) -> pd.DataFrame:
    d, rows = h.descent, [b.row for b in h.birds]
    label = {-1: None} | {b.row: b.bird for b in h.birds}
    value = _by_bird(h, d.value[rows])
    frame = pd.DataFrame({"bird": value.pop("bird")})
    for side, parents in (("sire", d.sire[rows]), ("dam", d.dam[rows])):
        frame[side] = [label.get(parent, f"unseen-{parent}") for parent in parents]
    frame["inbreeding"] = np.diag(d.relationship)[rows] - 1
    frame["merit"] = merit(value, standard, plan, chick_spread(h))
    return pd.concat([frame, value], axis=1)


def _by_bird(h: History, values: np.ndarray) -> pd.DataFrame:
    frame = pd.DataFrame(values, columns=list(h.model.names))
    frame.insert(0, "bird", [b.bird for b in h.birds])
    return frame


def _effects(h: History) -> pd.DataFrame:
    """Every shared effect of the history: its kind, what it is of, and its size on each trait."""
    brooders = set(h.rearing.values())
    rows = [("brooder" if of in brooders else "clutch", of, effect) for of, effect in h.common.items()]
    rows += [("supplier", of, effect) for of, effect in h.origins.items()]
    rows += [("judge", f"{judge} {season}", effect) for (judge, season), effect in h.levels.items()]
    rows += [("day", f"{judge} {date.fromordinal(on)}", effect) for (judge, on), effect in h.days.items()]
    rows += [
        ("season", f"{season} {'male' if male else 'female'}", effect)
        for (season, male), effect in h.seasons.items()
    ]
    values = np.full((len(rows), len(h.model.names)), np.nan)
    for k, (_, _, effect) in enumerate(rows):
        values[k, : len(effect)] = effect
    frame = pd.DataFrame({"kind": [row[0] for row in rows], "of": [row[1] for row in rows]})
    return pd.concat([frame, pd.DataFrame(values, columns=list(h.model.names))], axis=1)


def _variances(h: History) -> pd.DataFrame:
    m = h.model
    parts = {part: getattr(m, part) for part in ("clutch", "brooder", "day", "halo", "permanent", "residual")}
    return pd.DataFrame({"trait": m.names, "sd": m.sd, "additive": np.diag(m.G), **parts})

"""What lay behind the records, as frames by name; see :class:`demo.holding.Holding` for what each holds."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from demo import breed, seen
from demo.basket import Basket
from demo.history import History
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Standard


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


def merit(h: History, value: pd.DataFrame, standard: Standard, plan: Plan) -> np.ndarray:
    """Merit in points (n,): Σ worth × breeding value, size by :func:`expected_size_points`."""
    total = np.zeros(len(value))
    for section in standard.sections:
        term = value[section.name].to_numpy()
        term = expected_size_points(h, term) if section.measured else term
        total += plan.worth.get(section.name, 1.0) * term
    for trait in standard.measured:
        total += plan.worth.get(trait.name, 0.0) * value[trait.name].to_numpy()
    return total


def expected_size_points(h: History, deviation: np.ndarray) -> np.ndarray:
    """Twice the points for size that a bird's chicks can expect, by its breeding value for log weight (n,).

    Averaged over both sexes and over how chicks spread about half of the bird and half of an average living
    mate: ¾ of the additive variance, clutch, brooder and their own; 64-point Gauss–Hermite.
    """
    m, size = h.model, h.model.by_eye
    spread = np.sqrt(0.75 * m.G[size, size] + m.clutch[size] + m.brooder[size] + m.permanent[size])
    nodes, weights = np.polynomial.hermite_e.hermegauss(64)
    mate = h.descent.value[[b.row for b in h.birds if b.why is None], size].mean()
    points = np.zeros(len(deviation))
    for male in (True, False):
        season = np.mean([effect[size] for (_, sex), effect in h.seasons.items() if sex == male])
        log_grams = season + (deviation[:, None] + mate) / 2 + spread * nodes
        grams = seen.expected_grams(np.array([male]), np.array([breed.SIZE.at_weeks])) * np.exp(log_grams)
        points += seen.size_points(grams, male) @ (weights / weights.sum())
    return points


def _birds(h: History, standard: Standard, plan: Plan) -> pd.DataFrame:
    d, rows = h.descent, [b.row for b in h.birds]
    label = {-1: None} | {b.row: b.bird for b in h.birds}
    value = _by_bird(h, d.value[rows])
    frame = pd.DataFrame({"bird": value.pop("bird")})
    for side, parents in (("sire", d.sire[rows]), ("dam", d.dam[rows])):
        frame[side] = [label.get(parent, f"unseen-{parent}") for parent in parents]
    frame["inbreeding"] = np.diag(d.relationship)[rows] - 1
    frame["merit"] = merit(h, value, standard, plan)
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

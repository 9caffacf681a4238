"""Whether a difference between clutches can be told from how the chicks were reared and seen: by the design alone.

A contrast is separable when it is estimable with brooders (and pens and judges) as fixed, and when the records
leave less than half of its variance; no value that was recorded enters. Where it is not, the cause is named, and
the record that would have separated it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import Floats
from selection.compare.clutches.model import ClutchModel

_ORIGINS = ("bought-in", "home-bred")
HALF = 0.5
LEAST_BIRDS = 2
"""Chicks of a clutch under which nothing is said of it: one bird is not a clutch."""
MOST_TIMES = 8
"""So many times the chicks are tried before it is said that more of them would hardly tell."""


@dataclass(frozen=True)
class Contrast:
    """`first` against `second` (as they are named to people): weights on the clutches (C,), above 0 for first."""

    first: str
    second: str
    weights: Floats


@dataclass(frozen=True)
class Verdict:
    """Whether a contrast is separable; else the cause and what would have separated it, in words.

    `cause` is blank, `unseen`, `brooder`, `pen`, `judge`, `setting`, `few`, `age`, `day`, `alike` or `season`.
    """

    separable: bool
    cause: str = ""
    why: str = ""


def judged(model: ClutchModel, contrast: Contrast, chicks: str) -> Verdict:
    """The verdict on a contrast of which both sides have records; `chicks` names them, as `pullets`."""
    if cause := mixed_up_with(model, contrast):
        return Verdict(False, cause, _mixed_up(model, contrast, cause))
    seen = [(name, birds_of(model, side)) for name, side in sides(contrast)]
    alone = [name for name, number in seen if number < LEAST_BIRDS]
    if alone:
        why = f"only one of the {' and of the '.join(chicks_of(a, chicks) for a in alone)} was seen; two are the least"
        return Verdict(False, "few", why)
    if variance_left(model, contrast) < HALF:
        return Verdict(True)
    return Verdict(False, *_too_little(model, contrast, chicks))


def mixed_up_with(model: ClutchModel, contrast: Contrast) -> str:
    """What the contrast cannot be told from (`brooder`, `pen`, `judge`, `setting`), or blank where it can."""
    units = _units(model, contrast)
    if units is None:
        return "setting"
    factors = model.factors
    if _estimable(model, units, factors):
        return ""
    for cause in factors:
        if not _estimable(model, units, [cause]):
            return cause
    return " and ".join(factors)


def variance_left(model: ClutchModel, contrast: Contrast, variances: Floats | None = None) -> float:
    """Variance of a contrast given the records, over that before them, at the prior variances or at others."""
    at = model.prior if variances is None else variances
    places = np.flatnonzero(contrast.weights)
    if len(places) == 2 and np.isin(places, model.families.latest).all():
        return _left_of_pair(model, places, at)
    weights = contrast.weights[:, None]
    return float(model.known(weights, at)[0, 0] / model.prior_variance(weights)[0])


def _left_of_pair(model: ClutchModel, places: npt.NDArray[np.intp], variances: Floats) -> float:
    """Variance left of one of the latest clutches less another.

    Pairs are many and clutches few: all their levels are solved for once at each set of variances.
    """
    key, latest = variances.tobytes(), model.families.latest
    if key not in model.kept:
        model.kept[key] = model.known(np.eye(len(model.families.labels))[:, latest], variances)
    at = np.searchsorted(latest, places)
    difference = np.array([1.0, -1.0])
    known, kin = model.kept[key][np.ix_(at, at)], model.families.kin[np.ix_(places, places)]
    blood, clutch = (model.prior[model.names.index(name)] for name in ("blood", "clutch"))
    before = blood * (difference @ kin @ difference) + 2 * clutch
    return float(difference @ known @ difference / before)


def settings_told(model: ClutchModel, factors: tuple[str, ...], first: int, second: int) -> bool:
    """Whether one setting less another lies in the row space of [settings, factors]."""
    if factors not in model.kept:
        members, of_factor = model.patterns
        own = np.eye(model.families.settings.max() + 1)[model.families.settings]
        W = np.column_stack([members @ own, *(of_factor[name] for name in factors)])
        _, sizes, directions = np.linalg.svd(W, full_matrices=False)
        model.kept[factors] = directions[sizes > 1e-10 * sizes.max(initial=0.0)]
    space = model.kept[factors]
    wanted = np.zeros(space.shape[1])
    wanted[[first, second]] = 1.0, -1.0
    return bool(np.abs(space.T @ (space @ wanted) - wanted).max() < 1e-8)


def _birds_by_clutch(model: ClutchModel) -> Floats:
    """How many chicks (clutches,) have a record, a group of n counting n and a mixed chick its share."""
    if "birds" not in model.kept:
        birds = pd.factorize(model.rows["bird"])[0]
        chicks = model.members * model.rows["n"].to_numpy()[:, None]
        most = np.zeros((birds.max(initial=-1) + 1, chicks.shape[1]))
        np.maximum.at(most, birds, chicks)  # of a bird's rows, at the bird's number
        model.kept["birds"] = most.sum(axis=0)
    return model.kept["birds"]


def birds_of(model: ClutchModel, clutches: npt.NDArray[np.bool_]) -> float:
    """How many chicks of these clutches have a record (a group of n counts n)."""
    if clutches.sum() == 1:
        return float(_birds_by_clutch(model)[clutches][0])
    chicks = model.members[:, clutches].sum(axis=1) * model.rows["n"].to_numpy()
    most = np.zeros(len(chicks))  # of a bird's rows, at the bird's number
    np.maximum.at(most, pd.factorize(model.rows["bird"])[0], chicks)
    return float(most.sum())


def chicks_of(name: str, chicks: str) -> str:
    """`home-bred pullets`, or `pullets of 26-H1`."""
    return f"{name} {chicks}" if name in _ORIGINS else f"{chicks} of {name}"


def sides(contrast: Contrast) -> list[tuple[str, npt.NDArray[np.bool_]]]:
    """The two sides of a contrast: the name, and which clutches are on it."""
    return [(contrast.first, contrast.weights > 0), (contrast.second, contrast.weights < 0)]


def _units(model: ClutchModel, contrast: Contrast) -> npt.NDArray[np.int_] | None:
    """What each clutch counts as: 0 and 1 for the sides of the contrast, else its own setting.

    Clutches of one pen set on one day are the same eggs: one of them, split over brooders, ties the brooders. None
    where the two sides are the halves of such a setting.
    """
    setting, brooder = model.families.settings, model.families.brooders
    first, second = (side for _, side in sides(contrast))
    if np.isin(setting[first], setting[second]).any():
        if set(brooder[first]) != set(brooder[second]):
            return None
    else:
        first, second = np.isin(setting, setting[first]), np.isin(setting, setting[second])
    return np.select([first, second], [0, 1], setting + 2)


def _estimable(model: ClutchModel, units: npt.NDArray[np.int_], factors: Iterable[str]) -> bool:
    """Whether first − second lies in the row space of [units, factors]."""
    firsts = [np.flatnonzero(units == side) for side in (0, 1)]
    setting = model.families.settings
    if all(np.array_equal(side, np.flatnonzero(setting == setting[side[0]])) for side in firsts):
        pair = [setting[side[0]] for side in firsts]
        return settings_told(model, tuple(factors), pair[0], pair[1])
    members, of_factor = model.patterns
    own = np.zeros((len(units), units.max() + 1))
    own[np.arange(len(units)), units] = 1.0
    W = np.column_stack([members @ own, *(of_factor[name] for name in factors)])
    wanted = np.zeros(W.shape[1])
    wanted[:2] = 1.0, -1.0
    found = np.linalg.lstsq(W.T, wanted, rcond=None)[0]
    return bool(np.abs(W.T @ found - wanted).max() < 1e-8)


def _mixed_up(model: ClutchModel, contrast: Contrast, cause: str) -> str:
    """Why the contrast is not estimable, and what would have made it so."""
    if cause == "setting":
        return (
            f"{contrast.first} and {contrast.second} are eggs of one pen set on one day: they differ by where they "
            "were reared alone"
        )
    factors = model.factors
    if cause not in factors:
        return f"{cause} together leave nothing that both have in common; one brooder and one judge for both would"
    first, second = (_named(model, side, factors[cause]) for _, side in sides(contrast))
    verb, remedy = {
        "brooder": (
            "reared in",
            "one setting split over both, or both reared together, would have separated them",
        ),
        "pen": ("kept in", "some of each in both pens would have separated them"),
        "judge": ("seen by", "one judge seeing some of each would have separated them"),
    }[cause]
    return f"{contrast.first} {verb} {first}, {contrast.second} {verb} {second}: {remedy}"


def _named(model: ClutchModel, clutches: npt.NDArray[np.bool_], labels: pd.Series) -> str:
    """The different labels that these clutches' rows have, without the year."""
    here = model.members[:, clutches].any(axis=1)
    return " and ".join(sorted({label.rsplit(" ", 1)[0] for label in labels[here]}))


def _too_little(model: ClutchModel, contrast: Contrast, chicks: str) -> tuple[str, str]:
    """The cause of too much variance left, tried by taking one thing after another away."""
    weeks = _weeks_apart(model, contrast)
    if weeks > 0 and _without(model, contrast, "age") < HALF:
        return (
            "age",
            f"hatched {weeks:.0f} weeks apart: age and clutch are mixed up; hatches in one week would have told",
        )
    if _without(model, contrast, "day") < HALF:
        return "day", "seen on different days: both seen on one day would have told"
    numbers = [birds_of(model, side) for _, side in sides(contrast)]
    for times in np.arange(1.25, MOST_TIMES + 0.01, 0.25):
        if _with_more(model, contrast, times) < HALF:
            first, second = (int(np.ceil(times * n)) for n in numbers)
            return "few", (
                f"{numbers[0]:g} and {numbers[1]:g} {chicks} are too few; about {first} and {second} would have told"
            )
    return "alike", (
        f"bred alike, they are expected to differ by so little that even {MOST_TIMES} times as many {chicks} "
        "would hardly tell"
    )


def _without(model: ClutchModel, contrast: Contrast, effect: str) -> float:
    """Variance left if what `effect` gave were known."""
    variances = model.prior.copy()
    if effect not in model.names:
        return 1.0
    variances[model.names.index(effect)] = 0.0
    return variance_left(model, contrast, variances)


def _with_more(model: ClutchModel, contrast: Contrast, times: float) -> float:
    """Variance left with `times` as many chicks of every clutch."""
    variances = model.prior.copy()
    variances[[i for i, name in enumerate(model.names) if name == "bird"]] /= times
    variances[-1] /= times
    return variance_left(model, contrast, variances)


def _weeks_apart(model: ClutchModel, contrast: Contrast) -> float:
    """Weeks between the mean hatching days of the two sides; 0 where not known."""
    first, second = (_mean_known(model.families.hatched[side]) for _, side in sides(contrast))
    weeks = abs(np.floor(first - second)) / 7
    return 0.0 if np.isnan(weeks) else float(round(weeks))


def _mean_known(days: Floats) -> float:
    """The mean of the days that are known; missing where none is."""
    known = days[~np.isnan(days)]
    return float(known.mean()) if len(known) else np.nan

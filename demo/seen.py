"""What was seen of the birds: looks, weighings, shanks. Each record is the model's sum, then rounded."""

from __future__ import annotations

import numpy as np

from demo import breed
from demo.history import Bird, History, Look, day

DRIFT_DAYS = 30.0
"""A weighing's residual keeps 1/e of itself over this many days within a bird."""


def true_effects(h: History, birds: list[Bird]) -> np.ndarray:
    """(n, m) all that birds carry into every record: breeding value, clutch, brooder, their own for good."""
    nothing = np.zeros(len(h.model.sd))
    rows = [b.row for b in birds]
    shared = [h.common[b.clutch] + h.common[h.rearing[b.clutch]] if b.clutch else nothing for b in birds]
    own = [h.permanent[row] for row in rows]
    return h.descent.value[rows] + np.array(shared) + np.array(own)


def season_effects(h: History, birds: list[Bird]) -> np.ndarray:
    """(n, m) the season × sex effect of each bird's hatch year."""
    nothing = np.zeros(len(h.model.sd))
    return np.array([h.seasons.get((b.year, b.male), nothing) for b in birds])


# -- looks -------------------------------------------------------------------------------------------------


def judge_season(h: History, season: int, chicks: list[Bird]) -> None:
    """The season's looks: every judge on every look day; sets each bird's rough total."""
    o = h.options
    for judge in breed.JUDGES[: o.judges]:
        h.levels[judge, season] = (
            h.rng.standard_normal(h.model.by_eye) * o.levels * h.model.sd[: h.model.by_eye]
        )
    wanted = [b for b in chicks if b.sexed and (o.scored == "all" or b.bought == b.male)]
    for on in look_days(season, o.rounds):
        here = [b for b in wanted if b.gone is None or b.gone >= on]
        for judge in breed.JUDGES[: o.judges]:
            seen = [b for b, u in zip(here, h.rng.random(len(here)), strict=True) if u < o.seen]
            if seen:
                h.looks.append(_look_day(h, season, on, judge, seen))
    _rough_totals(h, season)


def look_days(season: int, rounds: int) -> list[int]:
    """The look days: the first in mid August, the last late in September."""
    first, last = day(season, 8, 15), day(season, 9, 26)
    return [first + round(k * (last - first) / max(rounds - 1, 1)) for k in range(rounds)]


def _look_day(h: History, season: int, on: int, judge: str, birds: list[Bird]) -> Look:
    """One judge's looks of one day."""
    eye, model, rng = slice(h.model.by_eye), h.model, h.rng
    sd, shape = model.sd[eye], (len(birds), model.by_eye)
    h.days[judge, on] = rng.standard_normal(shape[1]) * np.sqrt(model.day[eye])
    weeks = (on - np.array([b.hatched for b in birds])) / 7
    points = np.array([section.points for section in breed.EYE])
    fixed = breed.MEAN_SHARE * points + season_effects(h, birds)[:, eye] + h.levels[judge, season]
    fixed += np.outer(weeks - 22, breed.AGEING) * sd
    halo = rng.standard_normal((len(birds), 1)) * np.sqrt(model.halo[eye])
    noise = rng.standard_normal(shape) * np.sqrt(model.residual[eye])
    y = fixed + true_effects(h, birds)[:, eye] + h.days[judge, on] + halo + noise
    y = np.clip(np.round(4 * y) / 4, 0, points)
    y[rng.random(shape) < h.options.missing] = np.nan
    y[[[section == b.unseen for section in range(shape[1])] for b in birds]] = np.nan
    return Look(on, judge, birds, y, _faults(h, birds))


def _faults(h: History, birds: list[Bird]) -> list[str | None]:
    """Faults named in each look: a serious one is seen four times in five, small ones now and then."""
    small = [f.name for f in breed.FAULTS if not f.serious]
    draws = h.rng.random((len(birds), 1 + len(small)))
    named = []
    for bird, u in zip(birds, draws, strict=True):
        seen = [bird.fault] if bird.fault and u[0] < 0.8 else []
        seen += [name for name, v in zip(small, u[1:], strict=True) if v < 0.04]
        named.append("; ".join(seen) or None)
    return named


def _rough_totals(h: History, season: int) -> None:
    """Each bird's mean raw total, unscored sections counted as nothing: the past meetings' rule of thumb."""
    totals: dict[int, list[float]] = {}
    looks = [look for look in h.looks if look.on >= day(season, 1, 1)]
    for look in looks:
        for bird, total in zip(look.birds, np.nansum(look.points, axis=1), strict=True):
            totals.setdefault(bird.row, []).append(total)
    for bird in (b for look in looks for b in look.birds):
        bird.total = float(np.mean(totals[bird.row]))


def show_cards(h: History) -> list[dict]:
    """Totals of a few founders from an old show, before the first season, by a judge never seen again."""
    full = sum(section.points for section in breed.EYE)
    rows = []
    for bird in h.birds[: h.options.show_cards]:
        points = true_effects(h, [bird])[0, : h.model.by_eye].sum() + breed.MEAN_SHARE * full
        grams = expected_grams(np.array([bird.male]), np.array([52.0])) * np.exp(
            true_effects(h, [bird])[0, h.model.by_eye]
        )
        total = points + size_points(grams, bird.male)[0] + h.rng.standard_normal() * 3
        on = day(h.options.first - 1, 11, 14)
        rows.append({"on": on, "judge": breed.SHOW_JUDGE, "bird": bird.bird, "total": round(2 * total) / 2})
    return rows


# -- weights and shanks ------------------------------------------------------------------------------------


def expected_grams(male: np.ndarray, weeks: np.ndarray) -> np.ndarray:
    """The breed's Gompertz curves: grams by sex and age in weeks."""
    curves = np.array([breed.GOMPERTZ["female"], breed.GOMPERTZ["male"]])
    A, b, k = curves[np.asarray(male, dtype=int)].T
    return A * np.exp(-b * np.exp(-k * weeks))


def size_points(grams: np.ndarray, male: bool) -> np.ndarray:
    """Points for size by the standard's band."""
    sex = "male" if male else "female"
    (low, high), (none, most) = breed.SIZE.band[sex], breed.SIZE.none[sex]
    return np.interp(grams, [none, low, high, most], [0, breed.SIZE.points, breed.SIZE.points, 0])


def residual_sd(h: History, weeks: np.ndarray) -> np.ndarray:
    """Standard deviation of a weighing's residual on the log scale, by age in weeks: wide in chicks."""
    return np.sqrt(h.model.residual[h.model.by_eye]) + 0.16 * np.exp(-np.asarray(weeks) / 5)


def weigh(h: History, until: int) -> dict[str, np.ndarray]:
    """Every weighing: arrays bird (place in h.birds), on, weeks, residual (log), grams; by bird and day."""
    who = _weighed(h)
    birds = [h.birds[i] for i in who]
    hatched = np.array([b.hatched for b in birds])
    gone = np.array([until if b.gone is None else min(b.gone, until) for b in birds])
    on = hatched[:, None] + _weigh_ages(h, birds)
    residual = _drifting(h, on, (on - hatched[:, None]) / 7)
    taken = (on <= gone[:, None]) & (h.rng.random(on.shape) < 0.92)
    i, k = np.nonzero(taken)
    size = h.model.by_eye
    deviation = (true_effects(h, birds) + season_effects(h, birds))[:, size]
    weeks = (on[i, k] - hatched[i]) / 7
    male = np.array([b.male for b in birds])[i]
    grams = expected_grams(male, weeks) * np.exp(deviation[i] + residual[i, k])
    grams = 5 * np.round(grams / 5)
    return {
        "bird": np.array(who)[i],
        "on": on[i, k],
        "weeks": weeks,
        "residual": residual[i, k],
        "grams": grams,
    }


def _weighed(h: History) -> list[int]:
    """Positions of the birds that are weighed: all that are scored, a share of the others."""
    scored = {b.row for look in h.looks for b in look.birds}
    lucky = h.rng.random(len(h.birds)) < h.options.weighed
    return [i for i, b in enumerate(h.birds) if b.clutch and (b.row in scored or lucky[i])]


def _weigh_ages(h: History, birds: list[Bird]) -> np.ndarray:
    """(n, weighings) ages in days: every four weeks, a clutch always on one day, give or take two days."""
    labels = {label: k for k, label in enumerate(dict.fromkeys(b.clutch for b in birds))}
    weighings = h.options.weighings
    ages = 28 * np.arange(1, weighings + 1) + h.rng.integers(-2, 3, (len(labels), weighings))
    return ages[[labels[b.clutch] for b in birds]]


def _drifting(h: History, on: np.ndarray, weeks: np.ndarray) -> np.ndarray:
    """(n, k) residuals that forget themselves with time: an autoregression over uneven gaps."""
    z = h.rng.standard_normal(on.shape)
    state = z.copy()
    for k in range(1, on.shape[1]):
        keep = np.exp(-(on[:, k] - on[:, k - 1]) / DRIFT_DAYS)
        state[:, k] = keep * state[:, k - 1] + np.sqrt(1 - keep**2) * z[:, k]
    return state * residual_sd(h, weeks)


def measure(h: History) -> list[dict]:
    """Shank widths in mm, taken on look days by the first judge on a share of the birds seen."""
    trait, rows = h.model.by_eye + 1, []
    for look in (x for x in h.looks if x.judge == breed.JUDGES[0]):
        birds = look.birds
        base = np.array([breed.SHANK_MEAN["male" if b.male else "female"] for b in birds])
        value = base + (true_effects(h, birds) + season_effects(h, birds))[:, trait]
        value += h.rng.standard_normal(len(birds)) * np.sqrt(h.model.residual[trait])
        taken = h.rng.random(len(birds)) < h.options.measured
        rows += [
            {
                "on": look.on,
                "bird": b.bird,
                "trait": breed.SHANK.name,
                "value": round(v, 1),
                "judge": look.judge,
            }
            for b, v, t in zip(birds, value.tolist(), taken, strict=True)
            if t
        ]
    return rows

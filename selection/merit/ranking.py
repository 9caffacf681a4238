"""The ranking: each candidate's merit, how sure it is, and how likely it is to be the best.

Merit is the breeding value in points above or below the mean of the unbarred candidates of its group, its
standard error the posterior standard deviation of exactly that difference; all probabilities come from the
same draws.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.answer import SEED, TAILS, Answer, Note, facts
from selection.merit import published
from selection.merit.candidates import candidates, own_values
from selection.merit.observations import LAYING, TOTAL, latest, model_traits, observe
from selection.merit.posterior import (
    DRAWS,
    SEED_NOISE,
    Known,
    Posterior,
    Progress,
    draw,
    learn,
    normal_draws,
)
from selection.merit.published import check_likes
from selection.merit.relationship.parentage import Parentage, parentage
from selection.merit.relationship.pedigree import Pedigree
from selection.merit.season_model import EFFECTS, kinship_of, season_model
from selection.merit.selection_index import SelectionIndex, index_of, usual_merit_variance
from selection.records.flock import Flock
from selection.standard.growth import Growth, fit_growth
from selection.standard.points import Points, score
from selection.standard.traits import key_of

LIVING_DRAWS = 2_000
NOT_INBRED = 0.005
"""Inbreeding under which nothing is said of it."""

RANKING = [
    *("bird", "left", "right", "group", "rank", "merit", "merit_se", "merit_flock", "accuracy"),
    *("p_best", "p_kept", "points", "points_seen", "points_of_100", "bar"),
]
"""Columns of ranking.csv."""


@dataclass(frozen=True, repr=False)
class Merit(Answer):
    """What the records say of every bird as a breeder.

    ranking: one row a candidate, columns as RANKING (points; probabilities 0–1; blank where barred or alone).
    flock: one row a bird of the flock, gone ones included: bird, merit (points about the mean of the living),
    merit_se (living birds only), accuracy, own_value and own_value_se (points about the mean of the living of
    its sex; living birds only). draws: group → frame of draws × its unbarred candidates (merit about their
    mean). living: draws × living birds, merit on one base. scenes: sets of variances as plausible as each
    other × living birds, mean merit under each. traits: one row a trait: prior, own and resulting
    heritability and repeatability with a 90 % interval. sentences: what was done, in words; cannot: what
    could not, and why. The rest is what the numbers came from.
    """

    TITLE = "The ranking of the candidates"
    TABLES = ("ranking", "flock", "traits")

    ranking: pd.DataFrame
    flock: pd.DataFrame
    draws: dict[str, pd.DataFrame]
    living: pd.DataFrame
    scenes: pd.DataFrame
    traits: pd.DataFrame
    pedigree: Pedigree
    parentage: Parentage
    growth: Growth
    points: Points
    known: Known | None
    index: SelectionIndex | None
    notes: tuple[Note, ...]


def rank(flock: Flock, seed: int = SEED, progress: Progress | None = None) -> Merit:
    """Rank the flock's candidates by merit on the plan's day.

    Parameters
    ----------
    flock : Flock
        The flock; a bird of which nothing was seen is judged by its relatives.
    seed : int
        Of the draws that the chances are counted from: the same seed gives the same answer.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.

    Returns
    -------
    Merit
        `ranking`: one row a candidate: bird, left, right, group, rank, merit and merit_se (points about the mean of
        its group's unbarred candidates), merit_flock, accuracy, p_best, p_kept (0 to 1), points, points_seen,
        points_of_100, bar; blank where barred or alone. `flock`: one row a bird; `traits`: heritabilities.

    Raises
    ------
    PedigreeError
        For impossible parents, all of them at once.
    ModelError
        For correlations that cannot all be true.
    SettingsError
        Naming every `like` of the standard that the published table does not have.

    Notes
    -----
    A multiple-trait mixed model with all relatives (Henderson 1984, Applications of Linear Models in Animal Breeding,
    from memory), its variances moved from published priors by the holding's own records.

    Examples
    --------
    >>> from selection import rank
    >>> merit = rank(flock)
    >>> merit.ranking.columns[:6].tolist()
    ['bird', 'left', 'right', 'group', 'rank', 'merit']
    >>> merit.ranking.groupby("group")["p_best"].sum().round(6).unique().tolist()
    [1.0]
    """
    check_likes(flock.standard)
    growth = fit_growth(flock)
    points = score(flock, growth)
    family = parentage(flock)
    observations = latest(observe(flock, growth))
    if observations.rows.empty:
        return _nothing_seen(flock, candidates(flock), family, growth, points, np.random.default_rng(seed))
    model = season_model(observations, family, _living(flock))
    known = learn(model, flock, progress)
    return _ranked(flock, known, family, growth, points, np.random.default_rng(seed), progress)


def rerank(
    merit: Merit, flock: Flock, bars: Mapping[str, str | None] | None = None, seed: int = SEED
) -> Merit:
    """The ranking under another plan or other points, from what is already known: quick, for trying things out.

    `flock` is the same flock with another plan or standard; `bars` bars a bird (a reason) or brings it back
    (None). Variances are taken at their mode, so that standard errors come out a little smaller than rank's.
    """
    rng = np.random.default_rng(seed)
    if merit.known is None:
        field = _with_bars(candidates(flock), bars)
        return _nothing_seen(flock, field, merit.parentage, merit.growth, merit.points, rng)
    return _ranked(
        flock, merit.known, merit.parentage, merit.growth, merit.points, rng, bars=bars, quick=True
    )


def _ranked(
    flock: Flock,
    known: Known,
    family: Parentage,
    growth: Growth,
    points: Points,
    rng: np.random.Generator,
    progress: Progress | None = None,
    bars: Mapping[str, str | None] | None = None,
    quick: bool = False,
) -> Merit:
    field, living = _with_bars(candidates(flock), bars), _living(flock)
    index = index_of(flock, known, growth)
    posterior = draw(known, living, index.weights, rng, progress, quick)
    merit = pd.DataFrame(index.merit(posterior.draws), columns=living)
    prior = pd.DataFrame(index.merit(posterior.prior + _middle(posterior)), columns=living)
    return Merit(
        ranking=_ranking(flock, field, merit, prior, points),
        flock=_flock_table(flock, merit, prior, known, index, posterior, points),
        draws={g: _contrast(merit, part) for g, part in field.groupby("group")},
        living=merit.sub(merit.mean(axis=1), axis=0).iloc[_spread_out(len(merit))].reset_index(drop=True),
        scenes=merit.groupby(np.arange(len(merit)) * posterior.scenes // len(merit)).mean(),
        traits=_trait_table(known),
        pedigree=family.pedigree,
        parentage=family,
        growth=growth,
        points=points,
        known=known,
        index=index,
        notes=(
            *growth.notes,
            *points.notes,
            *facts(
                (*family.sentences, *_about_model(known)),
                _not_seen(flock, known.model.observations.rows, field),
            ),
        ),
    )


def _living(flock: Flock) -> pd.Index:
    return pd.Index(flock.birds.loc[flock.birds["alive"], "bird"])


def _with_bars(field: pd.DataFrame, bars: Mapping[str, str | None] | None) -> pd.DataFrame:
    """The candidates with bars put on or lifted."""
    bars = bars or {}
    changed = [bars.get(bird, bar) for bird, bar in zip(field["bird"], field["bar"], strict=True)]
    return field.assign(bar=pd.Series(changed, index=field.index, dtype="str"))


def _middle(posterior: Posterior) -> np.ndarray:
    """Mean of each functional over birds and draws (k,): where the flock stands on a band."""
    return posterior.draws.mean(axis=(0, 1))


def _spread_out(count: int) -> np.ndarray:
    """Positions of LIVING_DRAWS draws spread evenly over all of them."""
    return np.linspace(0, count - 1, min(LIVING_DRAWS, count)).astype(int)


def _contrast(merit: pd.DataFrame, group: pd.DataFrame) -> pd.DataFrame:
    """Draws of the unbarred candidates of one group, about their own mean."""
    unbarred = merit[group.loc[group["bar"].isna(), "bird"]]
    return unbarred.sub(unbarred.mean(axis=1), axis=0)


def _ranking(
    flock: Flock, field: pd.DataFrame, merit: pd.DataFrame, prior: pd.DataFrame, points: Points
) -> pd.DataFrame:
    """ranking.csv: groups in the plan's order, unbarred by merit, then the barred."""
    parts = [
        _group_ranking(group, merit, prior, flock.plan.keep[name].number)
        for name in flock.plan.keep
        if len(group := field[field["group"] == name])
    ]
    if not parts:
        return pd.DataFrame(columns=RANKING)
    table = pd.concat(parts, ignore_index=True)
    seen = points.birds.set_index("bird")[["points", "points_seen", "points_of_100"]]
    return table.join(seen, on="bird")[RANKING]


def _group_ranking(
    group: pd.DataFrame, merit: pd.DataFrame, prior: pd.DataFrame, number: int
) -> pd.DataFrame:
    unbarred = group.loc[group["bar"].isna(), "bird"]
    base = merit[unbarred].mean(axis=1) if len(unbarred) else merit.mean(axis=1)
    prior_base = prior[unbarred].mean(axis=1) if len(unbarred) else prior.mean(axis=1)
    off, prior_off = merit[group["bird"]].sub(base, axis=0), prior[group["bird"]].sub(prior_base, axis=0)
    alone = len(unbarred) == 1
    table = group.assign(
        merit=off.mean().to_numpy(),
        merit_se=off.std(ddof=0).to_numpy(),
        merit_flock=merit[group["bird"]].sub(merit.mean(axis=1), axis=0).mean().to_numpy(),
        accuracy=_accuracy(off.var(ddof=0), prior_off.var(ddof=0)).to_numpy(),
    )
    best, kept = chances(off[unbarred], number)
    table = table.assign(p_best=table["bird"].map(best), p_kept=table["bird"].map(kept))
    # birds that nothing tells apart differ by rounding alone: they keep the order of the form
    merits = table.loc[table["bar"].isna(), "merit"].round(9)
    table["rank"] = merits.rank(ascending=False, method="first")
    if alone:
        table.loc[table["bar"].isna(), ["merit_se", "p_best", "accuracy"]] = np.nan
    return table.sort_values(["rank", "merit"], ascending=[True, False], na_position="last")


def chances(draws: pd.DataFrame, number: int) -> tuple[pd.Series, pd.Series]:
    """Share of draws in which each bird is the best, and among the best `number`."""
    if draws.empty:
        return pd.Series(dtype=float), pd.Series(dtype=float)
    order = np.argsort(-draws.to_numpy(), axis=1, kind="stable")
    count = draws.shape[1]
    best = np.bincount(order[:, 0], minlength=count) / len(draws)
    kept = np.bincount(order[:, : min(number, count)].ravel(), minlength=count) / len(draws)
    return pd.Series(best, draws.columns), pd.Series(kept, draws.columns)


def _accuracy(posterior: pd.Series, prior: pd.Series) -> pd.Series:
    """√(1 − posterior variance / prior variance) of the same contrast; 0 where the records say nothing."""
    return np.sqrt((1 - posterior / prior.where(prior > 0)).clip(lower=0)).fillna(0.0)


def _flock_table(
    flock: Flock,
    merit: pd.DataFrame,
    prior: pd.DataFrame,
    known: Known,
    index: SelectionIndex,
    posterior: Posterior,
    points: Points,
) -> pd.DataFrame:
    """One row a bird of the flock; birds gone have their mean merit alone."""
    base = merit.mean(axis=1)
    off, prior_off = merit.sub(base, axis=0), prior.sub(prior.mean(axis=1), axis=0)
    effects = posterior.mean_effects.reshape(-1, len(known.model.traits)) @ index.weights
    means = pd.Series(index.merit(effects) - base.mean(), known.model.kinship.birds)
    table = flock.birds[["bird"]].copy()
    table["merit"] = table["bird"].map(off.mean()).fillna(table["bird"].map(means))
    table["merit_se"] = table["bird"].map(off.std(ddof=0))
    table["accuracy"] = table["bird"].map(_accuracy(off.var(ddof=0), prior_off.var(ddof=0)))
    return table.merge(own_values(flock, known, points.measured), on="bird", how="left")


def _trait_table(known: Known) -> pd.DataFrame:
    """Heritability of each trait: prior, the holding's own, the result with its 90 % interval; repeatability."""
    rows, names = [], known.model.observations.names
    for trait in known.traits:
        shares = trait.parts / trait.parts.sum()
        drawn = _drawn_shares(trait.parts, trait.covariance)
        own = trait.own
        bird = slice(EFFECTS.index("clutch"), EFFECTS.index("genetic") + 1)
        genetic = EFFECTS.index("genetic")
        rows.append(
            {
                "trait": names[trait.trait],
                "records": trait.records,
                "heritability_prior": trait.shares[genetic],
                "heritability_own": np.nan if own is None else own[genetic],
                "heritability": shares[genetic],
                "heritability_low": np.quantile(drawn[:, genetic], TAILS[0]),
                "heritability_high": np.quantile(drawn[:, genetic], TAILS[1]),
                "repeatability_prior": trait.shares[bird].sum(),
                "repeatability_own": np.nan if own is None else own[bird].sum(),
                "repeatability": shares[bird].sum(),
                "repeatability_low": np.quantile(drawn[:, bird].sum(axis=1), TAILS[0]),
                "repeatability_high": np.quantile(drawn[:, bird].sum(axis=1), TAILS[1]),
                "sd": float(np.sqrt(trait.parts.sum())),
                "source": trait.source,
            }
        )
    return pd.DataFrame(rows)


def _drawn_shares(parts: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Draws of the shares of variance (1,000 × 6), seeded: for the intervals of the table alone."""
    rng = np.random.default_rng(SEED)
    off = (
        rng.standard_normal((1000, len(parts)))
        @ np.linalg.cholesky(covariance + 1e-12 * np.eye(len(parts))).T
    )
    drawn = parts * np.exp(off - 0.5 * np.diag(covariance))
    return drawn / drawn.sum(axis=1, keepdims=True)


def _about_model(known: Known) -> tuple[str, ...]:
    sentences = [
        f"merit rests on {len(known.model.y):,} numbers of {len(known.model.levels['permanent'].labels)} birds"
    ]
    if (since := known.model.observations.since) is not None:
        sentences.append(
            f"so many birds were seen that what was seen before {since} counts no more, but blood does"
        )
    if known.correlations is not None and len(known.correlations.grid) > 1:
        rho, (low, high) = known.correlations.mode[0], known.correlations.interval()
        sentences.append(
            f"genetic correlation between any two traits: {rho:.2f}, 90 % interval {low:.2f} to {high:.2f}"
        )
    if known.correlations is not None:
        chance, points = SEED_NOISE
        sentences.append(
            f"drawn anew with another seed, a chance moves by no more than {chance:g} and a merit by {points:g} points "
            "(standard deviations, measured on the demo holding)"
        )
    names = known.model.observations.names
    sentences += _about_inbreeding(known)
    sentences += [
        f"{names[t.trait]}: the fit of its variances did not settle ({t.message}); its prior weighs more"
        for t in known.traits
        if not t.converged
    ]
    alike = [names[t.trait] for t in known.traits if not t.learnt]
    if alike:
        sentences.append(
            f"{', '.join(alike)}: seen alike on every look, or in totals alone; published values stand"
        )
    return tuple(sentences)


def _about_inbreeding(known: Known) -> list[str]:
    """What was added back of birds' own inbreeding; nothing where no bird seen is inbred."""
    model = known.model
    most = float(model.kinship.inbreeding[model.levels["genetic"].codes].max(initial=0.0))
    if most < NOT_INBRED:
        return []
    rows = {t.name: published.published_depression(t.prior) for t in model.observations.asked}
    sentences = [
        f"{name}: 0.1 of a bird's own inbreeding is held to change it by {row.value:g} % of its mean ({row.cited}), "
        f"and that is not counted as its blood (the most inbred bird seen: F {most:.2f})"
        for name, row in rows.items()
        if row is not None
    ]
    without = [name for name, row in rows.items() if row is None]
    if without:
        sentences.append(
            f"no effect of a bird's own inbreeding is published for {', '.join(without)}: taken as none"
        )
    return sentences


def _not_seen(flock: Flock, rows: pd.DataFrame, field: pd.DataFrame) -> tuple[str, ...]:
    """Sections and worths that nobody recorded, or of none of the candidates, and what to record next.

    `rows`: the observations; `field`: the candidates.
    """
    wanted = [s.name for s in flock.standard.sections] + [w for w, v in flock.plan.worth.items() if v]
    asked = {trait.key: trait for trait in model_traits(flock.standard)}
    ever, of_field = (set(part["series"]) for part in (rows, rows[rows["bird"].isin(field["bird"])]))
    said = []
    for name in dict.fromkeys(wanted):
        key = key_of(flock.standard, name)
        if asked[key].by_eye and TOTAL in ever:  # a part of old cards' totals
            continue
        if key not in ever:
            said.append(f"{name}: nobody has recorded it, so it has no part in merit; {asked[key].to_record}")
        elif key not in of_field and len(field) and key != LAYING.key:
            said.append(f"{name}: none of the candidates was seen in it; {asked[key].to_record}")
    return tuple(said)


def _nothing_seen(
    flock: Flock,
    field: pd.DataFrame,
    family: Parentage,
    growth: Growth,
    points: Points,
    rng: np.random.Generator,
) -> Merit:
    """The ranking before anything was seen: every merit 0 with all that birds differ by, chances even."""
    living = _living(flock)
    kin = kinship_of(family, living).block_of(living)
    variance = usual_merit_variance(flock.standard, flock.plan)
    merit = pd.DataFrame(normal_draws(np.zeros(len(living)), variance * kin, DRAWS, rng), columns=living)
    base = merit.mean(axis=1)
    off = merit.sub(base, axis=0)
    birds = flock.birds[["bird"]].assign(merit=0.0, accuracy=0.0, own_value=np.nan, own_value_se=np.nan)
    return Merit(
        ranking=_ranking(flock, field, merit, merit, points),
        flock=birds.assign(merit_se=birds["bird"].map(off.std(ddof=0))),
        draws={g: _contrast(merit, part) for g, part in field.groupby("group")},
        living=off.iloc[_spread_out(len(merit))].reset_index(drop=True),
        scenes=merit.iloc[:0],
        traits=pd.DataFrame(),
        pedigree=family.pedigree,
        parentage=family,
        growth=growth,
        points=points,
        known=None,
        index=None,
        notes=facts(
            family.sentences,
            [
                "nothing has been scored, weighed or measured yet: every candidate stands alike",
                *_not_seen(flock, pd.DataFrame({"series": [], "bird": []}), field),
            ],
        ),
    )

"""The mixed model on plain frames: any pedigree, several traits, several fixed and random effects.

This is the documented way in for whoever has records of another kind; the season's own model
(`season_model`) rests on the same equations. Henderson's equations, solved sparse; very large systems by
conjugate gradients (then without standard errors).

Example: the animal model of Mrode (2014), Linear Models for the Prediction of Animal Breeding Values, 3rd
ed., example 3.1:

>>> import pandas as pd
>>> from selection.merit.mixed_model import fit_model
>>> from selection.merit.relationship.pedigree import from_parents
>>> pedigree = from_parents(pd.DataFrame({"bird": list("45678"), "sire": ["1", "3", "1", "4", "3"],
...                                       "dam": [None, "2", "2", "5", "6"]}))
>>> records = pd.DataFrame({"bird": list("45678"), "sex": list("MFFMM"), "gain": [4.5, 2.9, 3.9, 3.5, 5.0]})
>>> fitted = fit_model(records, ["gain"], fixed=["sex"], pedigree=pedigree, genetic=20.0, residual=40.0)
>>> fitted.breeding_values(["8"]).round(3)[["bird", "gain", "gain_accuracy"]].to_dict("records")
[{'bird': '8', 'gain': 0.183, 'gain_accuracy': 0.394}]
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import sparse

from selection.answer import Answer, Kind, Note
from selection.errors import ModelError
from selection.merit import mixed_equations
from selection.merit.mixed_equations import Factor, Term
from selection.merit.plain_design import ByClass, Covariance, Design, covariance_of, residual_precision
from selection.merit.relationship.pedigree import Pedigree
from selection.merit.season_model import crossed
from selection.merit.variances.components import Components, Effect, fit_components

MOST_ERRORS = 5_000
"""Effects whose standard errors are worked out at one call: each needs a solve of its own."""


@dataclass(frozen=True, repr=False)
class Fitted(Answer):
    """A solved mixed model.

    fixed: one row an estimable fixed effect: trait, effect, level, estimate, se (missing for systems solved
    by iteration). genetic: covariance over (bird column, trait), bird column first. effects: all solutions in
    the equations' order; slices: where each term lies. variances: by REML where they were estimated, else
    None. log_likelihood: REML, missing for iterated systems. dropped: fixed effects that others explain. shares:
    bird, then its share of blood from each group, where there are groups.
    """

    TITLE = "A solved mixed model"
    TABLES = ("fixed",)

    traits: tuple[str, ...]
    columns: tuple[str, ...]
    pedigree: Pedigree | None
    genetic: np.ndarray
    fixed: pd.DataFrame
    levels: Mapping[str, pd.Index]
    effects: np.ndarray
    slices: Mapping[str, slice]
    factor: Factor | None = field(repr=False)
    log_likelihood: float
    variances: Components | None
    dropped: tuple[str, ...]
    shares: pd.DataFrame | None = None

    @property
    def groups(self) -> pd.DataFrame:
        """Values of the unknown-parent groups: group, then for each trait its value and _se.

        Only differences between groups are estimable: a group that the other fixed effects explain stands at 0, with
        standard error 0, and the others are told from it.
        """
        if self.shares is None:
            raise ModelError("the model has no groups of unknown parents")
        table = pd.DataFrame({"group": self.shares.columns.drop("bird")})
        for trait in self.traits:
            found = self._group_rows(trait)
            table[trait] = table["group"].map(found["estimate"]).fillna(0.0)
            table[f"{trait}_se"] = (
                table["group"].map(found["se"]).where(table["group"].isin(found.index), 0.0)
            )
        return table

    def _group_rows(self, trait: str) -> pd.DataFrame:
        rows = self.fixed[(self.fixed["trait"] == trait) & (self.fixed["effect"] == "group")]
        return rows.assign(place=rows.index).set_index("level")

    @property
    def notes(self) -> tuple[Note, ...]:
        """The fixed effects that were left out."""
        return tuple(Note(Kind.LEFT_OUT, term, "the other fixed effects explain it") for term in self.dropped)

    def breeding_values(self, birds: Sequence[str] | None = None, column: str | None = None) -> pd.DataFrame:
        """Breeding values of `birds` (default: all): bird, then for each trait its value, _se and _accuracy.

        `column` names the bird column where there are several (a bird itself, its dam). Accuracy is
        √(1 − PEV / ((1 + F)·σ_a²)), the standard error √PEV. Both are missing for iterated systems and where
        more than MOST_ERRORS birds are asked for at once. With groups of unknown parents these are deviations from
        what each bird has from its groups; `_in_all` is both together.
        """
        if self.pedigree is None:
            raise ModelError("the model has no pedigree: there are no breeding values")
        which = 0 if column is None else self.columns.index(column)
        wanted = list(self.pedigree.birds) if birds is None else list(birds)
        at, width = self.pedigree.positions(wanted), len(self.genetic)
        table = pd.DataFrame({"bird": wanted})
        for k, trait in enumerate(self.traits):
            part = which * len(self.traits) + k
            rows = self.slices["genetic"].start + at * width + part
            table[trait] = self.effects[rows]
            pev = self._error_variance(rows)
            table[f"{trait}_se"] = np.sqrt(pev)
            prior = (1 + self.pedigree.inbreeding[at]) * self.genetic[part, part]
            table[f"{trait}_accuracy"] = np.sqrt(np.clip(1 - pev / prior, 0, None))
            if self.shares is not None:
                values = self.groups.set_index("group")[trait]
                shares = self.shares.set_index("bird").loc[wanted, values.index]
                table[f"{trait}_in_all"] = table[trait] + shares.to_numpy(float) @ values.to_numpy()
        return table

    def random(self, name: str) -> pd.DataFrame:
        """Predictions of one random effect: level, then for each trait its value and _se."""
        labels = self.levels[name]
        table = pd.DataFrame({name: labels})
        for k, trait in enumerate(self.traits):
            rows = self.slices[name].start + np.arange(len(labels)) * len(self.traits) + k
            table[trait] = self.effects[rows]
            table[f"{trait}_se"] = np.sqrt(self._error_variance(rows))
        return table

    def covariance(self, functionals: np.ndarray) -> np.ndarray:
        """Posterior covariance (k × k) of linear functionals (m × k) of all effects."""
        if self.factor is None:
            raise ModelError("the system was solved by iteration: posterior covariances were not kept")
        return functionals.T @ self.factor.solve(functionals)

    def _error_variance(self, rows: np.ndarray) -> np.ndarray:
        if self.factor is None or len(rows) > MOST_ERRORS:
            return np.full(len(rows), np.nan)
        return _diagonal(self.factor, len(self.effects), rows)


def fit_model(
    records: pd.DataFrame,
    traits: Sequence[str],
    *,
    fixed: Sequence[str] | Mapping[str, Sequence[str]] = (),
    random: Mapping[str, Covariance | None] | None = None,
    pedigree: Pedigree | None = None,
    birds: str | Sequence[str] = "bird",
    genetic: Covariance | None = None,
    residual: Covariance | ByClass | None = None,
    groups: pd.DataFrame | None = None,
    weights: str | None = None,
    residual_by: str | None = None,
    factors: Sequence[str] = (),
    covariates: Sequence[str] = (),
) -> Fitted:
    """Fit y = fixed + random + breeding value + residual to `records`, one row a record.

    Variances left None (and `genetic` with a pedigree) are estimated by REML, for a single trait: give none of them
    or all.

    Parameters
    ----------
    records : DataFrame
        One row a record; a row may carry any of the traits, and a bird any number of rows.
    traits : sequence of str
        Columns of `records`, missing where a trait was not taken.
    fixed : sequence of str, or mapping of trait to sequence of str
        Columns that act on every trait, or by trait. Text, category and bool columns are factors, numbers with a
        fraction covariates; whole numbers may be codes or amounts, so that such a column must be named in `factors`
        or `covariates`. Without a factor there is an intercept.
    random : mapping of str to covariance, optional
        By column its T × T covariance (a number for one trait); its levels are independent.
    pedigree : Pedigree, optional
        Relationships of the birds (None: no breeding values).
    birds : str or sequence of str
        Column or columns that name the bird whose breeding value acts (a bird itself, its dam).
    genetic : covariance, optional
        Over (column, trait), columns outermost: birds=["bird", "dam"] with a 2 × 2 matrix is a direct and a maternal
        effect.
    residual : covariance, or mapping of class to covariance, optional
        T × T between the traits of one record; one for each class of the column `residual_by`.
    groups : DataFrame, optional
        Genetic groups as fixed effects: a column bird, then one column a group with each bird's share (see
        :func:`group_shares`); their values are `groups` of the result.
    weights : str, optional
        Column of numbers above 0: a record of weight w has 1/w of the residual variance (a mean of w records).
    residual_by : str, optional
        Column of classes that each have a residual covariance; these are always given.
    factors, covariates : sequence of str
        Of columns of whole numbers in `fixed`, which are codes and which amounts.

    Returns
    -------
    Fitted
        `fixed`: trait, effect, level, estimate, se; `breeding_values()` and `random(name)` give frames, one row a
        bird or level, with each trait's value, its _se and _accuracy.

    Raises
    ------
    ModelError
        For shapes that do not fit, birds that are not in the pedigree, covariances that are none, weights not above 0,
        classes without a variance, whole numbers of which nobody said what they are, and a record without anything to
        estimate from.

    Notes
    -----
    Henderson's mixed-model equations (Henderson 1984), and REML (Patterson and Thompson 1971, Biometrika 58:545);
    sources from memory.

    Examples
    --------
    Mrode (2014, Linear Models for the Prediction of Animal Breeding Values, example 3.1): gain of five calves.

    >>> import pandas as pd
    >>> from selection import fit_model, from_parents
    >>> young = pd.DataFrame({"bird": list("45678"), "sire": list("13143"), "dam": [None, *"2256"]})
    >>> pedigree = from_parents(young)
    >>> records = pd.DataFrame({"bird": list("45678"), "sex": list("mffmm"), "gain": [4.5, 2.9, 3.9, 3.5, 5.0]})
    >>> fitted = fit_model(records, ["gain"], fixed=["sex"], pedigree=pedigree, genetic=20.0, residual=40.0)
    >>> fitted.breeding_values(["1", "4", "8"])["gain"].round(3).tolist()
    [0.098, -0.009, 0.183]
    """
    random = dict(random or {})
    columns = (birds,) if isinstance(birds, str) else tuple(birds)
    design = Design(
        records,
        tuple(traits),
        fixed,
        tuple(random),
        columns if pedigree else (),
        pedigree,
        groups,
        (weights, residual_by),
        (tuple(factors), tuple(covariates)),
    )
    estimated = None
    given = [residual, *random.values(), *([genetic] if pedigree else [])]
    if residual_by is not None and not isinstance(residual, Mapping):
        raise ModelError(
            f"residual_by {residual_by}: give `residual` as a mapping from class to its covariance"
        )
    if all(v is None for v in given):
        estimated = _estimate(design, pedigree, columns)
        values = dict(zip(estimated.names, estimated.variances, strict=True))
        genetic, residual = values.get("genetic"), values["residual"]
        random = {name: values[name] for name in random}
    elif any(v is None for v in given):
        raise ModelError("give every variance or none: some of residual, random and genetic are missing")
    return _solve(design, random, pedigree, columns, genetic, residual, estimated)


def _diagonal(factor: Factor, size: int, rows: np.ndarray) -> np.ndarray:
    """Diagonal cells of C⁻¹ at `rows`, a few columns at a time."""
    found = []
    for part in np.array_split(rows, len(rows) // 200 + 1):
        picked = np.zeros((size, len(part)))
        picked[part, np.arange(len(part))] = 1.0
        found.append(factor.solve(picked)[part, np.arange(len(part))])
    return np.concatenate(found)


def _solve(
    design: Design,
    random: Mapping[str, Covariance | None],
    pedigree: Pedigree | None,
    columns: tuple[str, ...],
    genetic: Covariance | None,
    residual: Covariance | ByClass | None,
    estimated: Components | None,
) -> Fitted:
    count = len(design.traits)
    terms, levels = [Term("fixed", design.fixed)], {}
    for name, covariance in random.items():
        matrix = covariance_of(covariance, count, name)
        codes, levels[name] = design.codes(name)
        structure = sparse.eye_array(len(levels[name]), format="csc")
        terms.append(_term(name, crossed(codes, len(levels[name]), design.loading), structure, 0.0, matrix))
    between = np.zeros((0, 0))
    if pedigree is not None:
        between = covariance_of(genetic, count * len(columns), "genetic")
        log_det = -float(np.log(pedigree.mendelian).sum())
        terms.append(_term("genetic", _genetic_design(design, columns), pedigree.inverse(), log_det, between))
    precision, log_det = residual_precision(design, residual)
    unknowns = sum(t.design.shape[1] for t in terms)
    slices = _slices(terms)
    if unknowns < mixed_equations.ITERATE_FROM:
        solution = mixed_equations.solve(design.y, terms, precision, log_det)
        effects, factor, likelihood = solution.effects, solution.factor, solution.log_likelihood
        se = np.sqrt(_diagonal(solution.factor, unknowns, np.arange(slices["fixed"].stop)))
    else:
        effects, factor, likelihood = (
            mixed_equations.solve_by_iteration(design.y, terms, precision),
            None,
            np.nan,
        )
        se = np.full(design.fixed.shape[1], np.nan)
    fixed = design.names.assign(estimate=effects[slices["fixed"]], se=se)
    return Fitted(
        design.traits, columns, pedigree, between, fixed, levels, effects, slices, factor, likelihood,
        estimated, design.dropped, design.groups,
    )  # fmt: skip


def _term(
    name: str, design: sparse.csr_array, structure: sparse.csc_array, log_det: float, covariance: np.ndarray
) -> Term:
    width, count = len(covariance), structure.shape[0]
    total = width * log_det - count * np.linalg.slogdet(covariance)[1]
    return Term(name, design, mixed_equations.kronecker(structure, np.linalg.inv(covariance)), float(total))


def _genetic_design(design: Design, columns: tuple[str, ...]) -> sparse.csr_array:
    """Values × (birds · columns · traits): each value touches one breeding value a bird column."""
    assert design.pedigree is not None
    count, width = len(design.traits), len(design.traits) * len(columns)
    total = sparse.csr_array((len(design.y), len(design.pedigree.birds) * width))
    for c, column in enumerate(columns):
        codes = design.bird_codes(column)
        at = np.flatnonzero(codes >= 0)
        cols = codes[at] * width + c * count + design.trait[at]
        total = total + sparse.csr_array((np.ones(len(at)), (at, cols)), shape=total.shape)
    return total.tocsr()


def _slices(terms: Sequence[Term]) -> dict[str, slice]:
    ends = np.cumsum([t.design.shape[1] for t in terms])
    return {t.name: slice(int(end) - t.design.shape[1], int(end)) for t, end in zip(terms, ends, strict=True)}


def _estimate(design: Design, pedigree: Pedigree | None, columns: tuple[str, ...]) -> Components:
    """REML of a single trait with one bird column."""
    if len(design.traits) > 1 or len(columns) > 1:
        raise ModelError("variances can be estimated for one trait with one bird column; give them otherwise")
    effects = []
    for name in design.random_columns:
        codes, labels = design.codes(name)
        effects.append(Effect(name, crossed(codes, len(labels), design.loading)))
    if pedigree is not None:
        effects.append(Effect("genetic", _genetic_design(design, columns), pedigree.inverse()))
    scale = 1 / design.weights[design.row]
    return fit_components(design.y, design.fixed.toarray(), effects, residual_scale=scale)

"""The season's joint model against the definition written out densely, and what enters it before it is solved."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest

from selection.merit import published
from selection.merit.observations import Observations, latest, observe
from selection.merit.posterior import given
from selection.merit.ranking import rank
from selection.merit.relationship.parentage import Parentage, parentage
from selection.merit.season_model import EFFECTS, SeasonModel, Variances, compound, decaying, season_model
from selection.merit.selection_index import _chick_sd
from selection.records.flock import Flock
from selection.records.settings.reading import Measured, Section, Standard
from selection.standard.growth import fit_growth
from tests.merit.tiny import PLAN, STANDARD, bird, clutch, flock, look, stood

SIZED = Standard(
    "Fenland Grey",
    (
        Section("type", "Type", 60, heritability=0.35, repeatability=0.55),
        Section("head", "Head", 30, heritability=0.3, repeatability=0.5),
        Section(
            "size", "Size", 10, measured="weight", at_weeks=24,
            band={"male": (3000.0, 3600.0), "female": (2400.0, 2900.0)},
            none={"male": (2000.0, 4600.0), "female": (1600.0, 3900.0)},
        ),
    ),
    (),
    (Measured("shank width", "mm"),),
)  # fmt: skip


def of(made: Flock) -> tuple[SeasonModel, Parentage]:
    family = parentage(made)
    living = pd.Index(made.birds.loc[made.birds["alive"], "bird"])
    return season_model(observe(made, fit_growth(made)), family, living), family


def variances(model: SeasonModel, seed: int = 3) -> Variances:
    parts = np.random.default_rng(seed).uniform(0.2, 2.0, (len(model.traits), len(EFFECTS)))
    return Variances(parts, *(compound(r, len(model.traits)) for r in (0.2, 0.3, 0.25)))


def sightings(rng: np.random.Generator) -> dict[str, list[dict[str, object]]]:
    """Looks by two judges on three days (some sections unseen), weighings, measures; named birds and groups."""
    chicks = [bird(f"h{i}", "female", "26-H1") for i in range(4)] + [
        bird(f"b{i}", "male", "26-B1") for i in range(3)
    ]
    founders = [bird("C", "male"), bird("H1", "female"), bird("H2", "female")]
    names = [str(one["bird"]) for one in (*chicks, *founders)]
    looks = [
        look(name, {"type": 40 + rng.normal(), "head": 20 + rng.normal()}, on, judge)
        for name, (on, judge) in product(
            names, [("2026-08-10", "A"), ("2026-09-20", "B"), ("2026-09-21", "A")]
        )
        if rng.random() < 0.6
    ]
    looks[2]["head"] = looks[5]["type"] = None
    groups = [("2026-08-10", 4), ("2026-09-20", 4), ("2026-09-20", 2)]
    looks += [
        look(None, {"type": 38.0 + n, "head": 19.0}, on, "A", clutch="26-H1", sex="female", n=n)
        for on, n in groups
    ]
    weights = [
        {"on": on, "bird": one["bird"], "grams": round(2700 * np.exp(0.1 * rng.normal()))}
        for one, on in product(chicks, ("2026-08-20", "2026-09-20"))
    ]
    measures = [
        {"on": "2026-09-20", "bird": one["bird"], "trait": "shank width", "value": 14 + rng.normal()}
        for one in chicks
    ]
    told = {"origin": "bought-in", "source": "Marsh Farm", "pen": None, "brooder": "shed"}
    return {
        "birds": [*founders, *chicks],
        "clutches": [clutch("26-H1", brooder="barn"), clutch("26-B1", **told)],
        "pens": [stood(one, "2026-01-01") for one in ("C", "H1", "H2")],
        "scores": looks,
        "weights": weights,
        "measures": measures,
    }  # fmt: skip


def dense(model: SeasonModel, family: Parentage, at: Variances) -> tuple[np.ndarray, ...]:
    """V, the covariance of the breeding values with y, their prior, and X, cell by cell from the model's words.

    Henderson (1984) Applications of Linear Models in Animal Breeding, from memory: BLUP(u) = C V⁻¹ (y − Xβ).
    """
    rows = model.observations.rows
    column = {t: i for i, t in enumerate(model.traits)}
    birds = list(family.pedigree.birds)
    q = family.bases.toarray()
    A = family.pedigree.relationship(birds)
    # unseen and named birds share ½ of their bases' effects besides the relationship by descent
    A = A + 0.5 * q @ q.T
    which = [birds.index(b) for b in rows["bird"]]
    trait = [column[s] for s in rows["series"]]
    n, G = len(rows), at.covariance("genetic")
    V = A[np.ix_(which, which)] * G[np.ix_(trait, trait)]
    sd = np.sqrt(at.parts)
    cells = rows.to_dict("records")
    for i, j in product(range(n), range(n)):
        a, b = cells[i], cells[j]
        s, t = trait[i], trait[j]
        for effect in ("day", "clutch", "brooder"):
            if isinstance(a[effect], str) and a[effect] == b[effect] and s == t:
                V[i, j] += at.of(effect)[s]
        if a["bird"] == b["bird"]:
            V[i, j] += at.permanent[s, t] * sd[s, 3] * sd[t, 3] / a["n"]
        together = a["record"] == b["record"]
        if together and s == t == column[str(model.observations.weighed)]:
            pair = decaying(
                np.array([a["week"], b["week"]]), np.array([a["sd"], b["sd"]]), model.observations.decay_weeks
            )
            V[i, j] += at.of("residual")[s] * (pair[0, 1] if i != j else pair[0, 0]) / a["n"]
        elif together and (i == j or s != t):
            V[i, j] += (
                (1.0 if s == t else at.residual[s, t]) * sd[s, 5] * sd[t, 5] * a["sd"] * b["sd"] / a["n"]
            )
    C = np.einsum("ik,tk->itk", A[:, which], G[:, trait]).reshape(len(birds) * len(column), n)
    return V, C, np.kron(A, G), model.fixed.toarray()


def test_the_joint_model_is_its_definition_written_out() -> None:
    """Breeding values, their joint posterior covariance and the REML likelihood, by V⁻¹ of all numbers at once."""
    model, family = of(flock(SIZED, **sightings(np.random.default_rng(2))))
    assert len(model.traits) == 4 and (model.observations.rows["n"] > 1).any()
    at = variances(model)
    V, C, prior, X = dense(model, family, at)
    W = np.linalg.inv(V)
    XWX = X.T @ W @ X
    beta = np.linalg.solve(XWX, X.T @ W @ model.y)
    off = model.y - X @ beta
    P = W - W @ X @ np.linalg.solve(XWX, X.T @ W)
    solution = model.solve(at)
    count, kin = len(model.traits), model.kinship.birds
    wanted = [b for b in family.pedigree.birds if b in kin]
    ours = solution.at("genetic").reshape(-1, count)[kin.get_indexer(wanted)]
    rows = np.ravel([[family.pedigree.birds.index(b) * count + t for t in range(count)] for b in wanted])
    np.testing.assert_allclose(ours.ravel(), (C @ W @ off)[rows], atol=1e-8)
    picked = np.zeros((len(solution.effects), len(rows)))
    start = solution.slices["genetic"].start
    nodes = np.ravel([start + kin.get_loc(b) * count + np.arange(count) for b in wanted])
    picked[nodes, np.arange(len(rows))] = 1
    spread = (prior - C @ P @ C.T)[np.ix_(rows, rows)]
    np.testing.assert_allclose(solution.spread(picked), spread, atol=1e-7)
    logs = np.linalg.slogdet(V)[1] + np.linalg.slogdet(XWX)[1]
    by_hand = -0.5 * ((len(off) - X.shape[1]) * np.log(2 * np.pi) + logs + off @ W @ off)
    assert solution.log_likelihood == pytest.approx(by_hand)


def inbred(seed: int, slope: float) -> Flock:
    """Chicks of full brother and sister beside bought-in crosses of the same blood but for their inbreeding.

    Log weights about one mean, and `slope` for each unit of F (home chicks: ¼).
    """
    rng = np.random.default_rng(seed)
    parents = [bird("C", "male"), bird("H", "female")]
    family = [bird("s", "male", sire="C", dam="H"), bird("d", "female", sire="C", dam="H")]
    for one in family:
        one["hatched_on"] = "2025"
    told = {"origin": "bought-in", "source": "Marsh Farm", "pen": None, "cocks": 2, "hens": 8}
    chicks = [bird(f"h{i}", "female", "26-H1", sire="s", dam="d") for i in range(12)]
    chicks += [bird(f"b{i}", "female", "26-B1") for i in range(12)]
    weights = [
        {
            "on": "2026-09-06",
            "bird": one["bird"],
            "grams": round(2600 * np.exp(slope * (0.25 if i < 12 else 0) + 0.06 * rng.normal())),
        }
        for i, one in enumerate(chicks)
    ]
    looks = [look("h0", {"type": 40.0}), look("b0", {"type": 40.0})]
    clutches = [clutch("26-H1", brooder="barn"), clutch("26-B1", brooder="barn", **told)]
    return flock(SIZED, birds=[*parents, *family, *chicks], clutches=clutches, weights=weights, scores=looks)


def supplier_above_home(made: Flock) -> float:
    """What the model holds of the supplier's blood against home's, in log weight."""
    model, _ = of(made)
    parts = np.full((len(model.traits), 6), 0.01)
    parts[:, EFFECTS.index("genetic")] = 0.5
    solved = given(model, Variances(parts * 0.01, *(np.eye(len(model.traits)) for _ in range(3)))).solution
    values = solved.at("genetic").reshape(-1, len(model.traits))
    at = model.kinship.birds.get_indexer(["base Marsh Farm", "base home"])
    return float(np.subtract(*values[at, model.traits.index(str(model.observations.weighed))]))


def test_the_vigour_of_crosses_is_not_taken_for_their_suppliers_blood(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Simulated: equal blood, 8 % less weight for 0.1 of inbreeding. Told of it the model finds no difference of blood;
    without it the supplier stands above home by vigour alone."""
    row = next(r for r in published.INBREEDING_DEPRESSION if r.trait == "body weight")
    slope = 10 * np.log1p(-0.08)
    flocks = [inbred(seed, slope) for seed in range(4)]
    without = np.mean([supplier_above_home(made) for made in flocks])
    monkeypatch.setattr(published, "INBREEDING_DEPRESSION", (replace(row, value=-8.0),))
    told = np.mean([supplier_above_home(made) for made in flocks])
    assert without > 0.05
    assert abs(told) < 0.25 * without


class TestInbreeding:
    """The published value, where there is one, and no other."""

    def test_is_added_back_by_the_published_line(self) -> None:
        made = inbred(1, 0.0)
        model, _ = of(made)
        rows = model.observations.rows
        home = (rows["series"] == model.observations.weighed).to_numpy() & rows["bird"].str.startswith(
            "h"
        ).to_numpy()
        # Shoffner as tabulated by Falconer: body weight −0.8 % for 0.1 of F
        np.testing.assert_allclose(model.y[home] - rows.loc[home, "value"], -0.25 * 10 * np.log(0.992))
        np.testing.assert_array_equal(model.y[~home], rows.loc[~home, "value"])

    def test_of_traits_without_a_published_value_is_none_and_says_so(self) -> None:
        made = inbred(1, 0.0)
        model, _ = of(made)
        assert model.depression[model.traits.index("type")] == 0
        said = " ".join(rank(made).sentences)
        assert "0.1 of a bird's own inbreeding is held to change it by -0.8 % of its mean (Shoffner" in said
        assert "no effect of a bird's own inbreeding is published for type: taken as none" in said

    def test_is_of_no_account_where_no_bird_is_inbred(self) -> None:
        chicks = [bird("x", "female", "26-H1"), bird("y", "female", "26-H1")]
        made = flock(
            STANDARD,
            birds=chicks,
            clutches=[clutch("26-H1")],
            scores=[look("x", {"type": 40.0, "head": 30.0})],
        )
        assert "inbreeding" not in " ".join(rank(made).sentences)


def test_own_eggs_weigh_by_the_months_they_speak_for() -> None:
    """90 days of own records are as good as three of 30: their residual has 1/√3 of the spread."""
    eggs = [
        {"on": "2026-03-31", "pen": "pen 1", "bird": hen, "eggs": 20, "days": days}
        for hen, days in (("H1", 30), ("H2", 90))
    ]
    made = flock(
        replace(STANDARD),
        replace(PLAN, worth={"laying": 0.3}),
        birds=[bird("H1", "female"), bird("H2", "female")],
        eggs=eggs,
        pens=[stood("H1", "2026-01-01"), stood("H2", "2026-01-01")],
    )
    rows = observe(made, fit_growth(made)).rows.set_index("bird")
    assert rows.loc[["H1", "H2"], "sd"].tolist() == pytest.approx([1.0, 3**-0.5])
    assert rows.loc[["H1", "H2"], "value"].tolist() == pytest.approx([100 * 20 / 30, 100 * 20 / 90])


def test_chicks_spread_by_all_but_their_known_parents_quarter() -> None:
    """Among one bird's chicks, mates unrelated: ¾ of the genetic variance (half Mendelian, a quarter of the mates)."""
    made = inbred(1, 0.0)
    model, _ = of(made)
    parts = np.tile([0.1, 0.2, 0.3, 0.4, 2.0, 1.0], (len(model.traits), 1))
    known = given(model, Variances(parts, *(np.eye(len(model.traits)) for _ in range(3))))
    at = model.traits.index(str(model.observations.weighed))
    assert _chick_sd(known, at) == pytest.approx(np.sqrt(0.75 * 2.0 + 0.4 + 0.2 + 0.3))


def test_a_chick_has_half_of_its_parent() -> None:
    """Merit of a straight stretch of band: each sex's points for a unit, halved, both sexes together."""
    bone = Section(
        "bone", "Bone", 40, measured="shank width",
        band={"male": (24.0, 26.0), "female": (22.0, 24.0)}, none={"male": (4.0, 46.0), "female": (2.0, 44.0)},
    )  # fmt: skip
    standard = Standard(
        "Fenland Grey", (replace(STANDARD.sections[0]), bone), (), (Measured("shank width", "mm"),)
    )
    birds = [bird(f"x{i}", sex, "26-H1") for i in range(6) for sex in (("male", "female")[i % 2],)]
    measures = [
        {"on": "2026-09-20", "bird": one["bird"], "trait": "shank width", "value": 13.0 + 0.1 * i - (i % 2)}
        for i, one in enumerate(birds)
    ]
    made = flock(standard, birds=birds, clutches=[clutch("26-H1")], measures=measures)
    merit = rank(made)
    assert merit.index is not None
    [band] = merit.index.bands
    # 40 points over 20 mm in either sex, so 2 a mm; half of it from one parent, in cockerel and pullet
    assert float(band.slope(np.array([0.0]))[0]) == pytest.approx(2.0, rel=0.01)


def test_of_very_many_birds_the_latest_seasons_are_in_the_model_and_the_last_three_always() -> None:
    def seen(sizes: dict[int, int]) -> Observations:
        rows = pd.DataFrame({"season": np.repeat(list(sizes), list(sizes.values()))})
        rows["bird"], rows["series"] = [f"b{i}" for i in range(len(rows))], "total"
        return Observations(rows, (), 4.0)

    few = seen({2023: 200, 2024: 200, 2025: 100, 2026: 100})
    assert latest(few) is few
    many = latest(seen({2022: 400, 2023: 100, 2024: 200, 2025: 100, 2026: 200}))
    assert many.since == 2023 and set(many.rows["season"]) == {2023, 2024, 2025, 2026}
    crowded = latest(seen({2023: 500, 2024: 500, 2025: 500, 2026: 500}))
    assert crowded.since == 2024 and len(crowded.rows) == 1500

"""An invented holding with known truth: the demo's forms, and the simulator of the statistical tests.

`simulate(seed)` lives a holding through its seasons under the model of the package's own documentation and
writes down what its people would have written down. What lay behind the records is kept beside them in
`Holding.truth`. The same seed and options give the same holding, byte for byte.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from demo import basket, books, breed, seen
from demo.years import History, Options, live
from selection.records.flock import Flock, assemble
from selection.records.settings import Plan, Standard
from selection.records.tables import FORMS

DATES = ("on", "set_on", "hatched_on", "came_on", "gone_on", "fitted_on", "removed_on", "from", "to")


@dataclass(frozen=True)
class Holding:
    """A holding's forms and the truth behind them.

    `forms`: a typed frame for each form, as `selection.records.flock.assemble` takes them; rows that name
    their bird by rings have `left` and `right` filled and, here, `bird` too (blank once written out).

    `truth`, by name:

    - `birds`: one row a bird of the books: bird, sire, dam (true; `unseen-…` for birds not in the books),
      inbreeding, merit (points, under the plan's worth), one column a trait with its true breeding value
      (points; `size` in log weight; `shank width` in mm), suppliers' effects and all
    - `permanent`: bird and one column a trait: what else a bird carries for good
    - `effects`: kind (clutch, brooder, supplier, judge, day, season), of, and one column a trait
    - `variances`: one row a trait: sd and the variances of the model's terms
    - `correlation`: the genetic correlations, traits by traits
    - `relationship`: A among the birds of the books, bird by bird
    - `hens`: bird, hatch_year, hen and hatch_year_effect (logit)
    - `laying`: season, hatch_year, hen_days (counted), eggs (truly theirs), rate (their mean true rate)
    - `looks`: one row a look: on, judge, bird
    """

    seed: int
    options: Options
    standard: Standard
    plan: Plan
    standard_toml: str
    plan_toml: str
    forms: Mapping[str, pd.DataFrame]
    truth: Mapping[str, pd.DataFrame]

    def flock(self) -> Flock:
        """The flock on the plan's day, put together in memory."""
        return assemble(self.standard, self.plan, self.forms)

    def cells(self) -> dict[str, pd.DataFrame]:
        """The forms as text, cell by cell as they are written out."""
        return {name: _as_cells(frame) for name, frame in self.forms.items()}

    def write(self, folder: Path) -> None:
        """Write the forms as CSV and the two settings files into `folder`, made if it is not there."""
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in self.cells().items():
            frame.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")
        (folder / "standard.toml").write_text(self.standard_toml, encoding="utf-8", newline="\n")
        (folder / "plan.toml").write_text(self.plan_toml, encoding="utf-8", newline="\n")


def simulate(seed: int, **changes: object) -> Holding:
    """An invented holding; `changes` are fields of :class:`demo.years.Options`."""
    options = Options(**changes)
    rng = np.random.default_rng(seed)
    history = live(options, rng)
    season = options.first + options.seasons - 1
    standard, plan = breed.standard(options.heritability), breed.plan(season, options.same_pen)
    laying = basket.lay(history)
    forms = _forms(history, laying, plan.on.toordinal())
    truth = _truth(history, laying, standard, plan)
    texts = breed.standard_toml(standard), breed.plan_toml(plan)
    return Holding(seed, options, standard, plan, *texts, forms, truth)


# -- forms --------------------------------------------------------------------------------------------------


def _forms(h: History, laying: basket.Basket, until: int) -> dict[str, pd.DataFrame]:
    rings = books.rings(h, until)
    pairs = _pairs(rings)
    weights = _weights(h, until)
    rows = {
        "clutches": h.clutches,
        "birds": [_bird_row(h, b) for b in h.birds],
        "rings": rings,
        "pens": [dict(zip(("pen", "bird", "from", "to"), row, strict=True)) for row in h.pens],
        "scores": _scores(h, pairs),
        "weights": weights,
        "measures": seen.measure(h),
        "eggs": laying.rows,
        "sales": books.sales(h),
        "costs": books.costs(h),
        "decisions": h.decisions,
    }
    sections = [s.name for s in breed.EYE]
    return {name: _typed(name, table, sections) for name, table in rows.items()}


def _typed(name: str, rows: list[dict], sections: list[str]) -> pd.DataFrame:
    """The rows as a frame in the form's order of columns, days as dates; columns never used are left out."""
    frame = pd.DataFrame(rows)
    order = [c for c in FORMS[name].names if c in frame]
    if name == "scores":
        at = order.index("faults")
        order = [*order[:at], *sections, *order[at:]]
    frame = frame[order]
    for column in (c for c in DATES if c in frame and not (name == "birds" and c == "hatched_on")):
        frame[column] = _dates(frame[column])
    return frame


def _dates(days: pd.Series) -> pd.Series:
    since = pd.to_numeric(days, errors="coerce").to_numpy(dtype=float) - date(1970, 1, 1).toordinal()
    known = ~np.isnan(since)
    out = np.full(len(since), np.datetime64("NaT"), dtype="datetime64[D]")
    out[known] = since[known].astype(int).astype("datetime64[D]")
    return pd.Series(out.astype("datetime64[s]"), index=days.index)


def _bird_row(h: History, b: object) -> dict:
    return {
        "bird": b.bird,
        "sex": ("male" if b.male else "female") if b.sexed else "unknown",
        "clutch": b.clutch,
        "hatched_on": None if b.clutch else str(b.year),
        "gone_on": b.gone,
        "gone_why": b.why,
    }


def _pairs(rings: list[dict]) -> dict[str, tuple[str, str]]:
    """The ring pair of each bird that has one."""
    on: dict[str, dict[str, str]] = {}
    for ring in rings:
        on.setdefault(ring["bird"], {})[ring["leg"]] = ring["colour"]
    return {bird: (legs["left"], legs["right"]) for bird, legs in on.items() if len(legs) == 2}


def _scores(h: History, pairs: dict[str, tuple[str, str]]) -> list[dict]:
    names = [s.name for s in breed.EYE]
    rows = []
    for look in h.looks:
        by_rings = h.rng.random(len(look["birds"])) < h.options.by_rings
        for bird, y, fault, ringed in zip(
            look["birds"], look["points"].tolist(), look["faults"], by_rings, strict=True
        ):
            left, right = pairs.get(bird.bird, (None, None)) if ringed else (None, None)
            row = {"on": look["on"], "judge": look["judge"], "bird": bird.bird, "left": left, "right": right}
            rows.append(row | dict(zip(names, y, strict=True)) | {"faults": fault})
    return rows


def _weights(h: History, until: int) -> list[dict]:
    w = seen.weigh(h, until)
    rows = [
        {"on": int(on), "bird": h.birds[i].bird, "clutch": None, "sex": None, "n": None, "grams": g}
        for i, on, g in zip(w["bird"], w["on"], w["grams"], strict=True)
        if h.birds[i].ringed
    ]
    if h.options.unnamed:
        rows += _unnamed(h, w)
    return sorted(rows, key=lambda r: (r["on"], r["bird"] or "", r["clutch"] or "", r["sex"] or ""))


def _unnamed(h: History, w: dict[str, np.ndarray]) -> list[dict]:
    """Chicks known by their clutch ring alone, weighed together: one row a clutch, sex and day, its mean."""
    crates: dict[tuple, list[float]] = {}
    for i, on, grams in zip(w["bird"], w["on"], w["grams"], strict=True):
        b = h.birds[i]
        if not b.ringed:
            sex = ("male" if b.male else "female") if b.sexed else "unknown"
            crates.setdefault((int(on), b.clutch, sex), []).append(grams)
    return [
        {"on": on, "bird": None, "clutch": clutch, "sex": sex, "n": len(g), "grams": float(round(np.mean(g)))}
        for (on, clutch, sex), g in crates.items()
    ]


def _as_cells(frame: pd.DataFrame) -> pd.DataFrame:
    """A typed frame as text: ISO days, numbers without idle decimals, blanks for what was not recorded."""
    cells = {}
    for name, column in frame.items():
        if pd.api.types.is_datetime64_any_dtype(column):
            text = column.dt.strftime("%Y-%m-%d")
        elif pd.api.types.is_numeric_dtype(column):
            text = column.map("{:.12g}".format)
        else:
            text = column
        cells[name] = text.astype("object").where(column.notna(), "")
    if "left" in cells:
        cells["bird"] = cells["bird"].where(cells["left"] == "", "")
    return pd.DataFrame(cells)


# -- truth --------------------------------------------------------------------------------------------------


def _truth(h: History, laying: basket.Basket, standard: Standard, plan: Plan) -> dict[str, pd.DataFrame]:
    d, names = h.descent, list(h.model.names)
    rows = [b.row for b in h.birds]
    label = {b.row: b.bird for b in h.birds}
    label[-1] = None
    labels = [label.get(r, f"unseen-{r}") for r in range(d.n)]
    ids = pd.Index([b.bird for b in h.birds], name="bird")
    value = pd.DataFrame(d.value[rows], columns=names)
    birds = pd.DataFrame({"bird": ids})
    birds["sire"] = [labels[r] if r >= 0 else None for r in d.sire[rows]]
    birds["dam"] = [labels[r] if r >= 0 else None for r in d.dam[rows]]
    birds["inbreeding"] = np.diag(d.A)[rows] - 1
    birds["merit"] = true_merit(h, value, standard, plan)
    origin = pd.DataFrame(d.origin[rows], columns=names)
    permanent = pd.DataFrame([h.permanent[r] for r in rows], columns=names)
    A = pd.DataFrame(d.A[np.ix_(rows, rows)], index=ids, columns=list(ids))
    looks = [{"on": x["on"], "judge": x["judge"], "bird": b.bird} for x in h.looks for b in x["birds"]]
    looks = pd.DataFrame(looks, columns=["on", "judge", "bird"])
    return {
        "birds": pd.concat([birds, value], axis=1),
        "origin": pd.concat([birds[["bird"]], origin], axis=1),
        "permanent": pd.concat([birds[["bird"]], permanent], axis=1),
        "effects": _effects(h),
        "variances": _variances(h),
        "correlation": pd.DataFrame(h.model.correlation, index=names, columns=names),
        "relationship": A,
        "hens": pd.DataFrame(laying.hens),
        "laying": pd.DataFrame(laying.rates),
        "looks": looks.assign(on=_dates(looks["on"])),
    }


def _effects(h: History) -> pd.DataFrame:
    """Every shared effect of the history: its kind, what it is of, and its size on each trait."""
    brooders = set(h.rearing.values())
    rows = [("brooder" if of in brooders else "clutch", of, e) for of, e in h.common.items()]
    rows += [("supplier", of, e) for of, e in h.effects.items()]
    rows += [("judge", f"{judge} {season}", e) for (judge, season), e in h.levels.items()]
    rows += [("day", f"{judge} {date.fromordinal(on)}", e) for (judge, on), e in h.days.items()]
    rows += [
        ("season", f"{season} {'male' if male else 'female'}", e) for (season, male), e in h.seasons.items()
    ]
    padded = np.full((len(rows), len(h.model.names)), np.nan)
    for k, (_, _, effect) in enumerate(rows):
        padded[k, : len(effect)] = effect
    frame = pd.DataFrame({"kind": [r[0] for r in rows], "of": [r[1] for r in rows]})
    return pd.concat([frame, pd.DataFrame(padded, columns=list(h.model.names))], axis=1)


def _variances(h: History) -> pd.DataFrame:
    m = h.model
    parts = {part: getattr(m, part) for part in ("clutch", "brooder", "day", "halo", "permanent", "residual")}
    return pd.DataFrame({"trait": m.names, "sd": m.sd, "additive": np.diag(m.G), **parts})


def true_merit(h: History, value: pd.DataFrame, standard: Standard, plan: Plan) -> np.ndarray:
    """Merit in points (n,): Σ worth × breeding value, a banded section by :func:`expected_band_points`."""
    merit = np.zeros(len(value))
    for section in standard.sections:
        worth = plan.worth.get(section.name, 1.0)
        term = value[section.name].to_numpy()
        merit += worth * (expected_band_points(term, h) if section.measured else term)
    for trait in standard.measured:
        merit += plan.worth.get(trait.name, 0.0) * value[trait.name].to_numpy()
    return merit


def expected_band_points(deviation: np.ndarray, h: History) -> np.ndarray:
    """Expected points for size of chicks whose breeding value is `deviation` (log weight), over both sexes.

    Chicks spread about it by all that is not their parents' mean: Mendelian sampling (half the additive
    variance), clutch, brooder and what is a bird's own, at the target age; 64-point Gauss–Hermite.
    """
    size = h.model.by_eye
    m = h.model
    spread = np.sqrt(0.5 * m.G[size, size] + m.clutch[size] + m.brooder[size] + m.permanent[size])
    nodes, weights = np.polynomial.hermite_e.hermegauss(64)
    weights = weights / weights.sum()
    points = np.zeros(len(deviation))
    for sex in ("male", "female"):
        mean = seen.expected_grams(np.array([sex == "male"]), np.array([breed.SIZE.at_weeks]))
        grams = mean * np.exp(deviation[:, None] + spread * nodes[None, :])
        low, high = breed.SIZE.band[sex]
        corners = [breed.SIZE.none[sex][0], low, high, breed.SIZE.none[sex][1]]
        points += 0.5 * np.interp(grams, corners, [0, breed.SIZE.points, breed.SIZE.points, 0]) @ weights
    return points

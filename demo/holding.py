"""An invented holding with known truth: the demo's forms, and the simulator of the statistical tests.

`simulate(seed)` lives a holding through its seasons under the very model that the package assumes, and writes
down what its people would have written down. What lay behind the records is kept beside them, in
`Holding.truth`. The same seed and options give the same holding, byte for byte.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from demo import basket, breed
from demo.forms import cells, forms
from demo.history import Options
from demo.truth import truth
from demo.years import live
from selection.records.flock import Flock, assemble
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Standard


@dataclass(frozen=True)
class Holding:
    """A holding's forms and the truth behind them.

    `forms`: a typed frame for each form, as `selection.records.flock.assemble` takes them; rows that name
    their bird by rings have `left` and `right` filled and, here, `bird` too (blank once written out).

    `truth`, by name; a trait is a column (sections by eye in points, `size` in log weight, `shank width` mm):

    - `birds`: one row a bird of the books: bird, sire, dam (true; `unseen-…` where not in the books),
      inbreeding, merit (points, under the plan's worth), and its true breeding value in each trait
    - `origin`: the part of the breeding values that came down from suppliers' and home founders' effects
    - `permanent`: what else a bird carries for good, clutch and brooder left out
    - `effects`: kind (clutch, brooder, supplier, judge, day, season), of, and its size in each trait
    - `variances`: one row a trait: its sd and the variances of the model's terms (suppliers' not among them)
    - `correlation`: genetic correlations, traits × traits; `relationship`: A, birds of the books × the same
    - `hens`: bird, hatch_year, and on the logit the hen's own and her hatch year's deviation
    - `laying`: season, hatch_year, hen_days (counted), eggs (truly theirs), rate (their mean true one)
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
        return {name: cells(frame) for name, frame in self.forms.items()}

    def write(self, folder: Path) -> None:
        """Write the forms as CSV and the two settings files into `folder`, made if it is not there."""
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in self.cells().items():
            frame.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")
        for name, text in (("standard", self.standard_toml), ("plan", self.plan_toml)):
            (folder / f"{name}.toml").write_text(text, encoding="utf-8", newline="\n")


def simulate(seed: int, **changes: Any) -> Holding:
    """An invented holding; `changes` are fields of :class:`demo.history.Options`."""
    options = Options(**changes)
    history = live(options, np.random.default_rng(seed))
    laying = basket.lay(history)
    standard, plan = breed.standard(options.heritability), breed.plan(options.last, options.same_pen)
    return Holding(
        seed,
        options,
        standard,
        plan,
        breed.standard_toml(standard),
        breed.plan_toml(plan),
        forms(history, laying, plan.on.toordinal()),
        truth(history, laying, standard, plan),
    )

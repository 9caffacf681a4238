"""What would make bought-in against home-bred separable, and the interval that each way would buy.

Every remedy is tried on the design itself: rows are added, or half a clutch moved to another brooder, and what
would then be known of the contrast is worked out. No value that was recorded enters but the spread of chicks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from selection.compare.clutches.model import Families, clutch_model
from selection.compare.clutches.separable import HALF, Contrast, mixed_up_with, sides, variance_left
from selection.compare.clutches.traits import Case, seen_only, typed
from selection.merit.candidates import called
from selection.records.flock import Flock

_FEW = (2, 4, 6, 8, 12)
"""How many chicks a side are tried: what can be done in ten minutes."""
NEXT_YEAR = (6, 8, 12)
"""How many are tried for a season whose chicks are still all to come."""
LEAST_FREEDOM = 4
_Z = 1.6448536269514722
"""Half the width of a 90 % interval, in standard deviations."""
_DOING = {"scored": "score", "weighed": "weigh"}
_COLUMNS = ["trait", "sex", "when", "remedy", "chicks", "half_width", "unit", "separable"]


@dataclass(frozen=True)
class _Trial:
    """Rows added and clutches split, with what would then be known of the contrast."""

    remedy: str
    when: str
    chicks: int
    half_width: float
    mixed: str
    left: float

    @property
    def separable(self) -> bool:
        return not self.mixed and self.left < HALF


def remedies(flock: Flock, every: list[Case], table: pd.DataFrame, origins: Contrast | None) -> pd.DataFrame:
    """Ways to tell bought-in from home-bred, for points and weight in each sex where it is not separable now.

    Columns `COLUMNS`: when (`before they go` or `next spring`), remedy in words, chicks to see, half_width of
    the 90 % interval (in unit), separable (`yes`, or `no` where it alone does not do). Empty where nothing is
    asked for: one origin alone, or all separable.
    """
    rows: list[dict[str, object]] = []
    for case in every:
        if origins is None or not case.trait.foremost or case.sex == "both":
            continue
        now = table[(table["first"] == origins.first) & (table["second"] == origins.second)]
        now = now[
            (now["trait"] == case.trait.name) & (now["unit"] == case.trait.unit) & (now["sex"] == case.sex)
        ]
        if (now["separable"] == "no").all():
            # what leaves one side unseen tells nothing of the other
            tried = _trials(flock, case, origins)
            rows += [_row(case, trial) for trial in tried if np.isfinite(trial.half_width)]
    return pd.DataFrame(rows, columns=_COLUMNS)


def no_remedies() -> pd.DataFrame:
    """The empty table."""
    return pd.DataFrame(columns=_COLUMNS)


def _row(case: Case, trial: _Trial) -> dict[str, object]:
    return {
        "trait": case.trait.name,
        "sex": case.sex,
        "when": trial.when,
        "remedy": trial.remedy,
        "chicks": trial.chicks,
        "half_width": trial.half_width,
        "unit": case.trait.unit,
        "separable": "yes" if trial.separable else "no",
    }


def _trials(flock: Flock, case: Case, origins: Contrast) -> list[_Trial]:
    """What can be done now, as far as birds are left; then what next season, and which clutch to split."""
    now = _known(case, origins, case.rows, case.families)
    if now.mixed == "brooder":
        return _best_split(case, origins, case.rows, replace(now, when="next season"))
    here = _left(flock, case, origins)
    few = [k for k in _FEW if k <= len(here)] or [len(here)]
    trials = [_seen_once(flock, case, origins, here.head(k)) for k in few if k]
    if trials and trials[-1].separable:
        first = next(i for i, t in enumerate(trials) if t.separable)
        return trials[: first + 2]
    return [*trials, *_next_season(flock, case, origins)]


def _left(flock: Flock, case: Case, origins: Contrast) -> pd.DataFrame:
    """Living chicks of the sides that lack records, unseen ones, clutch by clutch in turn."""
    birds = flock.birds[flock.birds["alive"] & (flock.birds["sex"] == case.sex)]
    birds = birds.assign(key=birds["clutch"].str.strip().str.casefold())
    lacking = _lacking(case, origins)
    birds = birds[birds["key"].isin(case.families.labels[lacking]) & ~birds["bird"].isin(case.rows["bird"])]
    turn = birds.groupby("key").cumcount()
    return birds.assign(turn=turn).sort_values(["turn", "key"], kind="stable")


def _lacking(case: Case, origins: Contrast) -> np.ndarray:
    """Which clutches more chicks should come from: the side that fewer were seen of, or both where none were."""
    members = case.members
    seen = {name: members[:, side].sum() for name, side in sides(origins)}
    fewest = min(seen.values())
    return np.logical_or.reduce([side for name, side in sides(origins) if seen[name] == fewest])


def _seen_once(flock: Flock, case: Case, origins: Contrast, chosen: pd.DataFrame) -> _Trial:
    """Seeing the birds chosen once on the plan's day, beside as many living ones that were seen before."""
    on, of = pd.Timestamp(flock.plan.on), called(flock)
    rows = _with(case, chosen["key"], chosen["bird"], on)
    remedy = f"{_DOING[case.trait.form]} {_listed(chosen['bird'].map(of))} once before they go"
    if case.trait.form == "scored":
        beside = _beside(flock, case, chosen)
        rows = pd.concat([rows, _with(case, beside["key"], beside["bird"], on).iloc[len(case.rows) :]])
        remedy += f", beside {_listed(beside['bird'].map(of))}" if len(beside) else ""
    trial = _known(case, origins, rows.reset_index(drop=True), case.families)
    return replace(trial, remedy=remedy, when="before they go", chicks=len(chosen))


def _beside(flock: Flock, case: Case, chosen: pd.DataFrame) -> pd.DataFrame:
    """Living birds of other clutches of the season that have been seen, as many as are chosen."""
    birds = flock.birds[flock.birds["alive"] & flock.birds["bird"].isin(case.rows["bird"])]
    birds = birds.assign(key=birds["clutch"].str.strip().str.casefold())
    season = birds["key"].isin(case.families.of_season(flock.plan.season)) & ~birds["key"].isin(chosen["key"])
    return birds[season].head(len(chosen))


def _next_season(flock: Flock, case: Case, origins: Contrast) -> list[_Trial]:
    """Seeing as few as will do of the side that lacks records, on the season's own days; else with a clutch split."""
    clutches = list(case.families.labels[_lacking(case, origins)])
    lacking = " and ".join(sorted(set(case.families.about.loc[clutches, "origin"])))
    days = pd.to_datetime(case.rows.loc[case.rows["season"] == flock.plan.season, "day"].str[-10:])
    on = days.mode().iloc[0] if days.notna().any() else pd.Timestamp(flock.plan.on)
    for k in NEXT_YEAR:
        labels = pd.Series([clutches[i % len(clutches)] for i in range(k)])
        rows = _with(case, labels, pd.Series([f"next {i}" for i in range(k)]), on)
        seeing = (
            f"{_DOING[case.trait.form]} {k} {lacking} {case.chicks} once, on a day when the others are seen"
        )
        plain = _known(case, origins, rows, case.families)
        plain = replace(plain, remedy=seeing, when="next season", chicks=k)
        if plain.separable:
            break
    return [plain, *(_best_split(case, origins, rows, plain) if plain.mixed == "brooder" else [])]


def _best_split(case: Case, origins: Contrast, rows: pd.DataFrame, plain: _Trial) -> list[_Trial]:
    """The clutch half of which, reared in another brooder, would untie the two best; none if none would."""
    about = case.families.about
    trials = []
    for clutch, other in _across(about, origins):
        trial = _known(case, *_split(case, origins, rows, clutch, other))
        rearing = (
            f"rear half of a clutch like {about.loc[clutch, 'clutch']} in brooder {about.loc[other, 'brooder']}, "
            "written down as a clutch of its own with the same pen or source and day"
        )
        remedy = f"{plain.remedy}, and {rearing}" if plain.remedy else rearing
        trials.append(replace(trial, remedy=remedy, when=plain.when, chicks=plain.chicks))
    untied = [trial for trial in trials if not trial.mixed]
    return sorted(untied, key=lambda trial: trial.half_width)[:1]


def _across(about: pd.DataFrame, origins: Contrast) -> list[tuple[str, str]]:
    """Every clutch with one clutch for each other brooder of the season."""
    season = about[origins.weights != 0]
    brooders = season[season["brooder"].notna()].drop_duplicates("brooder_key")
    return [
        (clutch, other)
        for clutch in season.index
        for other in brooders.index
        if about.loc[clutch, "brooder_key"] != about.loc[other, "brooder_key"]
    ]


def _split(
    case: Case, origins: Contrast, rows: pd.DataFrame, clutch: str, other: str
) -> tuple[Contrast, pd.DataFrame, Families]:
    """Half the chicks of `clutch` reared where `other` was: a clutch of the same setting beside it."""
    kin, twin = case.families, f"{clutch}, other half"
    at = kin.labels.get_loc(clutch)
    row = kin.about.loc[[clutch]].rename(index={clutch: twin})
    row["brooder_key"] = kin.about.loc[other, "brooder_key"]
    weights = np.append(origins.weights, origins.weights[at] / 2)
    weights[at] /= 2
    birds = rows.loc[rows["clutch"] == clutch, "bird"].drop_duplicates()
    moved = rows["clutch"].mask(rows["bird"].isin(birds.iloc[1::2]), twin)
    return (
        replace(origins, weights=weights),
        rows.assign(clutch=moved),
        replace(kin, about=pd.concat([kin.about, row]), root=np.vstack([kin.root, kin.root[at]])),
    )


def _with(case: Case, clutches: pd.Series, birds: pd.Series, on: pd.Timestamp) -> pd.DataFrame:
    """The rows and one more for each of `birds` (of `clutches`), seen on a day by the usual judge."""
    usual = case.rows if len(case.rows) else pd.DataFrame({"value": [0.0], "scale": [1.0]})
    more = pd.DataFrame(
        {
            "trait": case.trait.name,
            "bird": birds.to_numpy(),
            "value": usual["value"].mean(),
            "sex": case.sex,
            "clutch": clutches.to_numpy(),
            "season": on.year,
            "n": 1.0,
            "scale": usual["scale"].median(),
        }
    )
    if case.trait.form == "scored":
        season = case.rows[case.rows["season"] == on.year]
        judge = season["judge"].mode().iloc[0] if season["judge"].notna().any() else "judge"
        age = ((on - clutches.map(case.families.about["hatched_on"])).dt.days / 7).to_numpy()
        more = more.assign(judge=judge, day=f"{judge} {on:%Y-%m-%d}", age_weeks=age)
    return pd.concat([case.rows, typed(more)], ignore_index=True)


def _known(case: Case, origins: Contrast, rows: pd.DataFrame, kin: Families) -> _Trial:
    """What these rows would tell of bought-in against home-bred."""
    tried = replace(case, rows=rows, families=kin)
    contrast = seen_only(tried, origins)
    if contrast is None:
        return _Trial("", "", 0, np.inf, "unseen", 1.0)
    model = tried.model
    # the numbers that will be given leave the origins' difference free, so that is what the remedy buys
    freed = clutch_model(rows, kin, case.trait.shares, (origins.weights > 0).astype(float))
    variance = freed.known(contrast.weights[:, None])[0, 0] * _spread(case)
    half = float(case.scale.difference(np.array(_Z * np.sqrt(variance))))
    return _Trial("", "", 0, half, mixed_up_with(model, contrast), variance_left(model, contrast))


def _spread(case: Case) -> float:
    """How much wider than usual (as variance) chicks of one clutch differ here; 1 where too few were seen."""
    birds = case.rows.groupby(["clutch", "bird"])["value"].mean()
    left = birds - birds.groupby("clutch").transform("mean")
    freedom = len(birds) - birds.index.get_level_values("clutch").nunique()
    if freedom < LEAST_FREEDOM:
        return 1.0
    return float((left**2).sum() / freedom / case.trait.shares.within)


def _listed(names: pd.Series) -> str:
    """Names in words: `a, b and c`."""
    names = [str(name) for name in names]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"

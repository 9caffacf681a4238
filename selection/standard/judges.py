"""Every section's looks put on one level, and the judges in tables: their levels, and how far they agree."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from selection.records.flock import Flock
from selection.records.rings import looked_up
from selection.records.settings.reading import WEIGHT, Standard
from selection.standard.agreement import Levels, fit_levels
from selection.standard.bands import State

CARD_TOTAL = "total"
"""The one score of an old show card without sections, of the standard's 100 points."""


@dataclass(frozen=True)
class Looks:
    """Every row of flock.scores, long.

    `about`: one row a look: row (its index), on, season (the year), judge, bird, clutch, sex, n, costs (points that
    its faults take off, 0 where none were noted). `given`: one row a section that a look scored: row, section,
    points; the section `total` is an old show card's, kept only where no section was scored.
    """

    about: pd.DataFrame
    given: pd.DataFrame

    def matrix(self, sections: Sequence[str], column: str = "points") -> np.ndarray:
        """One `column` of what was given (looks × sections), missing where a look did not score a section."""
        place = {name: i for i, name in enumerate(sections)}
        own = self.given[self.given["section"].isin(place)]
        found = np.full((len(self.about), len(place)), np.nan)
        rows = pd.Index(self.about["row"]).get_indexer(own["row"])
        found[rows, own["section"].map(place).to_numpy(dtype=np.intp)] = own[column]
        return found


def looks(flock: Flock) -> Looks:
    """Every look on record; birds' own sex before what a row says."""
    scores = flock.scores
    sections = [s.name for s in flock.standard.by_eye]
    bird = scores["bird"]
    sex = looked_up(bird, flock.birds.set_index("bird")["sex"]).where(bird.notna(), scores["sex"])
    about = pd.DataFrame(
        {
            "row": scores.index,
            "on": scores["on"],
            "season": scores["on"].dt.year,
            "judge": scores["judge"],
            "bird": bird,
            "clutch": scores["clutch"],
            "sex": sex.fillna("unknown"),
            "n": scores["n"].fillna(1.0),
            "costs": costs_of(scores["faults"], flock.standard),
        }
    )
    cards = scores[CARD_TOTAL].where(scores[sections].isna().all(axis=1))
    parts = [_long(name, scores[name]) for name in sections] + [_long(CARD_TOTAL, cards)]
    return Looks(about, pd.concat(parts, ignore_index=True))


def _long(section: str, points: pd.Series) -> pd.DataFrame:
    """What one section was given, one row a look that scored it."""
    own = points.dropna()
    return pd.DataFrame({"row": own.index, "section": section, "points": own.to_numpy(dtype=float)})


def costs_of(faults: pd.Series, standard: Standard) -> pd.Series:
    """Points that each cell of `faults` (a flock's: names as the standard spells them, parted by ``;``) costs."""
    costs = {fault.name: fault.costs for fault in standard.faults}
    named = faults.str.split(";").explode().map(costs).fillna(0.0)
    return named.groupby(level=0).sum().reindex(faults.index).astype(float)


def cell_of(frame: pd.DataFrame) -> pd.Series:
    """The season×sex of each row, as one label."""
    return frame["season"].astype(int).astype(str) + " " + frame["sex"]


def judge_season_of(frame: pd.DataFrame) -> pd.Series:
    """The judge×season of each row, as one label."""
    return frame["season"].astype(int).astype(str) + " " + frame["judge"]


def judge_day_of(frame: pd.DataFrame) -> pd.Series:
    """The judge×day of each row, as one label."""
    return frame["on"].dt.strftime("%Y-%m-%d") + " " + frame["judge"]


_USUAL_REPEATABILITY = 0.5
"""To go by where no bird was looked at twice and the standard states none: no published value was found."""


JUDGES = ["season", "judge", "section", "looks", "level", "level_se", "tied_set", "tied"]
AGREEMENT = [
    "section", "looks", "birds", "repeatability", "low", "high", "agreement", "agreement_low", "agreement_high", "why",
]  # fmt: skip


@dataclass(frozen=True)
class Judged:
    """`looks`: with `adjusted`, points less levels, beside what was given; `levels` by section; two tables."""

    looks: Looks
    levels: Mapping[str, Levels]
    judges: pd.DataFrame
    agreement: pd.DataFrame


def judge(looks: Looks, standard: Standard) -> Judged:
    """Judges' levels in every section and on old cards, from the looks at named birds.

    Looks at unnamed chicks keep their points: what such a row shares with another look is not known.
    """
    levels, judges, agreement = {}, [], []
    usual = {s.name: s.repeatability or _USUAL_REPEATABILITY for s in standard.by_eye}
    named = looks.about[looks.about["bird"].notna()]
    named = named.assign(
        cell=cell_of(named), judge_season=judge_season_of(named), judge_day=judge_day_of(named)
    ).set_index("row")
    adjusted = looks.given["points"].copy()
    for name in (*usual, CARD_TOTAL):
        own = looks.given[looks.given["section"] == name].join(named, on="row", how="inner")
        found = _fit(own, usual.get(name, _USUAL_REPEATABILITY))
        adjusted[own.index] -= found.level
        levels[name] = found
        if name != CARD_TOTAL or len(own):
            judges.append(_judges_of(own, name, found))
            agreement.append(_agreement_of(own, name, found))
    return Judged(
        replace(looks, given=looks.given.assign(adjusted=adjusted)),
        levels,
        pd.concat(judges, ignore_index=True) if judges else pd.DataFrame(columns=JUDGES),
        pd.DataFrame(agreement, columns=AGREEMENT),
    )


def _fit(own: pd.DataFrame, usual: float) -> Levels:
    labels = [own[column].to_numpy(dtype=str) for column in ("bird", "cell", "judge_season", "judge_day")]
    return fit_levels(own["points"], labels[0], labels[1], labels[2], labels[3], usual)


def _judges_of(own: pd.DataFrame, name: str, levels: Levels) -> pd.DataFrame:
    """One row a judge×season: its looks, the level and its standard error, whether tied to the others."""
    # fit_levels orders the judges by their sorted labels
    _, first, looks = np.unique(
        own["judge_season"].to_numpy(dtype=str), return_index=True, return_counts=True
    )
    table = own[["season", "judge"]].iloc[first].reset_index(drop=True)
    table = table.assign(
        section=name, looks=looks, level=levels.judge, level_se=levels.judge_se, tied_set=levels.tied
    )
    sets = table.groupby("season")["tied_set"].transform("nunique")
    return table.assign(tied=np.where(sets > 1, "no", "yes"))


def _agreement_of(own: pd.DataFrame, name: str, levels: Levels) -> dict[str, object]:
    """Repeatability and agreement with their intervals; missing where `why` says that they cannot be told."""
    nothing = (np.nan, np.nan, np.nan)
    repeatability, low, high = levels.repeatability or nothing
    agreement, agreement_low, agreement_high = levels.agreement or nothing
    return {
        "section": name,
        "looks": len(own),
        "birds": own["bird"].nunique(),
        "repeatability": repeatability,
        "low": low,
        "high": high,
        "agreement": agreement,
        "agreement_low": agreement_low,
        "agreement_high": agreement_high,
        "why": levels.why,
    }


LEAST_TWICE = 5
"""Second looks from which it is said how far looks at one bird agree: of fewer the interval says next to nothing."""


def say(
    standard: Standard,
    birds: pd.DataFrame,
    sections: pd.DataFrame,
    looks: pd.DataFrame,
    judged: Judged,
    measured: pd.DataFrame,
) -> tuple[str, ...]:
    """Sentences on the points, most important first; `birds`, `sections` and `measured` are those of the living."""
    if looks["total"].isna().all():
        return ("No bird has been scored.", *_about_measured(standard, measured))
    told = judged.agreement[judged.agreement["section"] != CARD_TOTAL]
    return (
        *_about_judges(judged.judges, looks),
        *_about_agreement(told),
        *_about_unseen(standard, birds, sections),
        *_about_cards(looks),
        *_about_measured(standard, measured),
    )


def _about_judges(judges: pd.DataFrame, looks: pd.DataFrame) -> list[str]:
    """Who looked, who cannot be compared, and the levels of the last season."""
    named = sorted(looks.loc[looks["bird"].notna(), "judge"].unique())
    if len(named) == 1:
        return [f"All looks are {named[0]}'s: nothing tells the judge's level from the birds'."]
    said = [
        f"{season}: no bird ties {_join(sorted(set(untied['judge'])))} "
        f"in {_join(list(untied['section'].unique()))}: what they differ by is not taken off."
        for season, untied in judges[judges["tied"] == "no"].groupby("season")
    ]
    last = judges[(judges["season"] == judges["season"].max()) & (judges["section"] != CARD_TOTAL)]
    total = last.groupby("judge")["level"].sum()
    if total.abs().max() > 0:
        levels = _join([f"{judge} {level:+.1f}" for judge, level in total.items()])
        said.append(
            f"Judges' levels in {last['season'].max()}, over all sections: {levels} points; taken off."
        )
    return said


def _about_agreement(sections: pd.DataFrame) -> list[str]:
    """The best and the least repeatable section, and why others cannot be told."""
    told = sections.dropna(subset=["repeatability"]).sort_values("repeatability")
    few = told["looks"] - told["birds"] < LEAST_TWICE
    said = []
    if few.any():
        said.append(
            f"How far two looks at one bird agree in {_join(list(told.loc[few, 'section']))}: too few to say."
        )
    told = told[~few]
    if len(told):
        best, least = told.iloc[-1], told.iloc[0]
        said.append(
            f"Two looks at one bird agree best in {_repeats(best)}"
            + (f" and least in {_repeats(least)}." if len(told) > 1 else ".")
        )
    for why, rows in sections[sections["repeatability"].isna()].groupby("why", sort=False):
        said.append(f"Repeatability of {_join(list(rows['section']))} cannot be told: {why}.")
    return said


def _repeats(row: pd.Series) -> str:
    interval = f"{row['low']:.2f} to {row['high']:.2f}"
    return f"{row['section']} (repeatability {row['repeatability']:.2f}, {interval})"


def _about_unseen(standard: Standard, birds: pd.DataFrame, sections: pd.DataFrame) -> list[str]:
    """How many birds' points rest on part of the standard, and sections that nobody scored."""
    whole = sum(s.points for s in standard.sections)
    partly = int(((birds["points_seen"] > 0) & (birds["points_seen"] < whole)).sum())
    seen = set(sections["section"])
    never = [s.name for s in standard.sections if s.name not in seen]
    said = []
    if partly:
        words = "not seen in every section: compare by points of 100, not by points."
        said.append(f"{_were(partly, 'bird')} {words}")
    if never:
        said.append(f"Nobody has scored {_join(never)}: the usual share of points is taken for it.")
    return said


def _about_cards(looks: pd.DataFrame) -> list[str]:
    cards = int(looks["on_card"].sum())
    said = f"Old show cards with a total alone: {cards}; where sections were scored these go before."
    return [said] if cards else []


def _about_measured(standard: Standard, measured: pd.DataFrame) -> list[str]:
    """Weights carried on beyond the last weighing, and birds weighed too young."""
    weighed = measured["section"].isin([s.name for s in standard.by_measure if s.measured == WEIGHT])
    carried = int((weighed & measured["points"].notna() & (measured["state"] == State.CARRIED)).sum())
    young = int((weighed & (measured["state"] == State.YOUNG)).sum())
    said = []
    if carried:
        said.append(f"{_were(carried, 'weight')} carried on over 4 weeks beyond the last weighing.")
    if young:
        said.append(f"{_were(young, 'bird')} weighed only as young chicks: size is not told but predicted.")
    return said


def _were(number: int, thing: str) -> str:
    """A count with its verb: 1 bird was, 3 birds were."""
    return f"{number} {thing} was" if number == 1 else f"{number} {thing}s were"


def _join(names: list[str]) -> str:
    """Names as a sentence has them: a, b and c."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"

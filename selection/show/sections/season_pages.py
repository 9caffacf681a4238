"""The season in a paragraph, this year beside earlier years, what the kept are made of, and where blood comes from."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from markupsafe import Markup

from selection.answer import REACH
from selection.decide.meeting import Meeting
from selection.decide.wording import each, listed
from selection.merit.candidates import called
from selection.show.page import small_plots as plot
from selection.show.page.fragments import Fragment, bullets, fold, join, paragraph, table
from selection.show.page.small_plots import SectionPoints, section_bars
from selection.show.page.style import KEEP, MARKERS, PAPER, SERIES, ring_mark

OWN_FOUNDERS = "own founders"
"""Blood of founders that stood here, not at a supplier's."""
_SMALL = {"wide": 220.0, "high": 120.0, "left": 34.0, "right": 10.0, "top": 20.0, "foot": 20.0}
_BAR = 260


def season_page(meeting: Meeting) -> Fragment:
    """The season in one paragraph, what is missing, this year beside earlier ones, and what the kept are made of."""
    flock, year = meeting.flock, meeting.flock.plan.season
    chicks = flock.birds[flock.birds["hatch_year"] == year]
    day = flock.plan.on
    said = [
        _clutches(meeting),
        f"{len(chicks)} chicks of {year} have a number and {int(chicks['alive'].sum())} of them are alive on "
        f"{day.day} {day:%B} {day.year}.",
        _seen(meeting),
    ]
    pieces: list[Markup] = [paragraph(" ".join(said))]
    if meeting.merit.cannot:
        pieces.append(paragraph("What is missing, and what to record next", "lead"))
        pieces.append(bullets(list(meeting.merit.cannot), "small"))
    return join([*pieces, _years_picture(meeting), profiles(meeting)])


def _clutches(meeting: Meeting) -> str:
    year, clutches = meeting.flock.plan.season, meeting.flock.clutches
    clutches = clutches[clutches["set_on"].dt.year == year]
    bought = clutches[clutches["origin"] == "bought-in"]
    if clutches.empty:
        return f"No clutch of {year} is on record."
    sources = sorted(bought["source"].dropna().unique())
    said = f"In {year} {len(clutches)} clutches were set, {len(bought) or 'none'} of them bought in"
    said += f" ({listed(sources)})" if sources else ""
    counted = clutches[clutches["eggs_set"].notna() & clutches["hatched"].notna()]
    if counted.empty:
        return f"{said}; their eggs were not counted."
    eggs, hatched = counted["eggs_set"].sum(), counted["hatched"].sum()
    without = f", {len(clutches) - len(counted)} clutches not counted" if len(counted) < len(clutches) else ""
    return f"{said}: {eggs:.0f} eggs gave {hatched:.0f} chicks{without}."


def _seen(meeting: Meeting) -> str:
    flock, year = meeting.flock, meeting.flock.plan.season
    looks = flock.scores[flock.scores["on"].dt.year == year]
    weighings = flock.weights[flock.weights["on"].dt.year == year]
    if flock.scores.empty and flock.weights.empty:
        return "Nothing has been scored or weighed yet."
    judges = looks["judge"].nunique()
    by = f"{judges} judge{'' if judges == 1 else 's'}"
    said = f"This year's {len(looks)} looks by {by} and {len(weighings)} weighings"
    earlier = len(flock.scores) - len(looks)
    if earlier:
        return f"{said} tell of the flock, and {earlier:,} looks of earlier years of its relatives."
    return f"{said} are all there is to go by."


def years_frame(meeting: Meeting) -> pd.DataFrame:
    """This year and earlier ones side by side: what, year, value, low, high (90 %; missing for money).

    Points and weight are means of the year's chicks as they stand on record now, laying is eggs a hen-day, hatch the
    share of eggs set, in per cent, money what sales and other income brought.
    """
    flock, merit = meeting.flock, meeting.merit
    hatched = flock.birds.set_index("bird")["hatch_year"]
    points = merit.points.birds.set_index("bird")["points_of_100"]
    weights = merit.growth.deviations.groupby("bird")["log_deviation"].mean()
    lay = meeting.laying.table.groupby("season")[["eggs", "hen_days"]].sum()
    hatch = meeting.hatch.rates
    hatch = hatch[(hatch["group"] == "season") & (hatch["measure"] == "hatch of set")]
    parts = [
        _by_year("points of 100, chicks", points, hatched),
        _by_year("weight beside the curve, %", 100 * np.expm1(weights), hatched),
        _plain("hatched of eggs set, %", hatch["season"], *(100 * hatch[c] for c in ("rate", "low", "high"))),
        _plain("eggs a hen-day", lay.index, lay["eggs"] / lay["hen_days"]),
        _money(meeting),
    ]
    return pd.concat([part for part in parts if len(part)] or [_plain("", [], [])], ignore_index=True)


def _plain(
    what: str, year: object, value: object, low: object = np.nan, high: object = np.nan
) -> pd.DataFrame:
    columns = {"year": np.asarray(year, dtype=int)}
    columns |= {
        name: np.asarray(of, dtype=float) for name, of in (("value", value), ("low", low), ("high", high))
    }
    return pd.DataFrame({"what": what, **columns}).dropna(subset="value")


def _by_year(what: str, values: pd.Series, hatched: pd.Series) -> pd.DataFrame:
    """Mean of the birds of each hatch year with its 90 % interval; years of fewer than three birds are left out."""
    known = values.dropna()
    years = known.groupby(hatched.reindex(known.index).to_numpy()).agg(["mean", "sem", "size"])
    years = years[years["size"] >= 3]
    reach = REACH * years["sem"]
    return _plain(what, years.index, years["mean"], years["mean"] - reach, years["mean"] + reach)


def _money(meeting: Meeting) -> pd.DataFrame:
    """What sales and other income brought, year by year."""
    flock = meeting.flock
    brought = pd.concat(
        [flock.sales[["on", "price"]].set_axis(["on", "amount"], axis=1), flock.income[["on", "amount"]]]
    )
    years = brought.dropna().groupby(brought["on"].dt.year)["amount"].sum()
    unit = f", {flock.plan.currency}" if flock.plan.currency else ""
    return _plain(f"brought in{unit}", years.index, years)


def _years_picture(meeting: Meeting) -> Fragment:
    """This year beside earlier ones, a small picture for each thing that has at least two years to compare."""
    frame = years_frame(meeting)
    pictures = [_years(what, of) for what, of in frame.groupby("what", sort=False) if len(of) > 1]
    if not pictures:
        return Fragment("")
    return Fragment('<figure><figcaption>{}</figcaption><div class="panels-row">{}</div></figure>').format(
        "This year beside earlier years (90 % intervals where there are any)", Markup("").join(pictures)
    )


def _years(what: str, of: pd.DataFrame) -> Markup:
    first, last = int(of["year"].iloc[0]), int(of["year"].iloc[-1])
    panel = plot.Panel((first - 0.5, last + 0.5), plot.reach(of["value"], of["low"], of["high"]), **_SMALL)
    parts = [plot.axes(panel, "", sorted({first, last})), plot.title(panel, what)]
    if of["low"].notna().any():
        told = of.dropna(subset="low")
        parts.append(plot.uprights(panel, told["year"], told["low"], told["high"], KEEP))
    parts.append(plot.marks(panel, of["year"], of["value"], KEEP))
    said = "; ".join(f"{row.year}: {row.value:.3g}" for row in each(of))
    return plot.drawn(panel, parts, f"{what}, by year: {said}")


def profile_frame(meeting: Meeting) -> pd.DataFrame:
    """Mean points by group and section: group, section, title, most, kept, all, before.

    `kept` is the mean of those that stand at keep, `all` of the whole group, `before` of the birds of the same sex
    that hatched a year earlier and are still here; missing where nobody of them was seen in the section.
    """
    flock = meeting.flock
    points = meeting.merit.points.sections.pivot(index="bird", columns="section", values="points")
    earlier = flock.birds[flock.birds["alive"] & (flock.birds["hatch_year"] == flock.plan.season - 1)]
    rows = []
    for name, group in meeting.verdicts.groups.items():
        if name not in ("cockerels", "pullets") or group.table.empty:
            continue
        sex = "male" if name == "cockerels" else "female"
        of = {
            "kept": group.table.loc[group.table["stands"] == "keep", "bird"],
            "all": group.table["bird"],
            "before": earlier.loc[earlier["sex"] == sex, "bird"],
        }
        for section in flock.standard.sections:
            seen = points.get(section.name, pd.Series(dtype=float))
            means = {who: seen.reindex(birds).mean() for who, birds in of.items()}
            rows.append(
                {
                    "group": name,
                    "section": section.name,
                    "title": section.title,
                    "most": section.points,
                    **means,
                }
            )
    return pd.DataFrame(rows, columns=["group", "section", "title", "most", "kept", "all", "before"])


def profiles(meeting: Meeting) -> Fragment:
    """What the kept are made of, section by section, beside their group and last year's kept."""
    pieces = [
        section_bars(
            [SectionPoints(r.title, r.most, r.kept, r.all, r.before) for r in each(of)],
            str(name).capitalize(),
        )
        for name, of in profile_frame(meeting).groupby("group", sort=False)
        if of["kept"].notna().any()
    ]
    if not pieces:
        return Fragment("")
    return Fragment('<p class="lead">{}</p><div class="beside">{}</div>').format(
        "Points of the kept: bar, their mean; tick, their group's; diamond, last year's that stayed",
        Markup("").join(pieces),
    )


def pens_frame(meeting: Meeting) -> pd.DataFrame:
    """Who stands in which pen on the meeting's day: pen, bird; the living alone."""
    flock, day = meeting.flock, pd.Timestamp(meeting.flock.plan.on)
    pens = flock.pens[(flock.pens["from"] <= day) & ~(flock.pens["to"] <= day)]
    living = set(flock.birds.loc[flock.birds["alive"], "bird"])
    rows = pens[pens["bird"].isin(living)][["pen", "bird"]].drop_duplicates()
    return rows.sort_values(["pen", "bird"], ignore_index=True)


def pens_picture(meeting: Meeting) -> Fragment:
    """Each pen with the ring marks of those that stand in it; nothing where no pen is on record that day."""
    frame, who = pens_frame(meeting), called(meeting.flock)
    pieces: list[Markup] = []
    for pen, rows in frame.groupby("pen", sort=False):
        birds = [who(bird) for bird in rows["bird"]]
        marks = [
            Markup("<li>{}<span>{}</span></li>").format(ring_mark(of.left, of.right, of.bird), of.title)
            for of in birds
        ]
        pieces += [
            paragraph(str(pen), "lead"),
            Markup('<ul class="marks">{}</ul>').format(Markup("").join(marks)),
        ]
    return fold("Who stands in which pen", join(pieces), on_paper=False) if pieces else Fragment("")


def blood_frame(meeting: Meeting) -> pd.DataFrame:
    """Expected share of each staying bird's blood by where its founders stood: birds × places, rows adding up to 1.

    By the pedigree, (I − W)⁻¹, uncertain parents by their shares; what a bird has from a parent that is not on record
    counts as its own founder's.
    """
    pedigree = meeting.merit.pedigree
    unknown = 1.0 - np.asarray(pedigree.weights.sum(axis=1)).ravel()
    places = [pedigree.stood.get(bird) or OWN_FOUNDERS for bird in pedigree.birds]
    names = list(dict.fromkeys(sorted(places, key=lambda place: place != OWN_FOUNDERS)))
    start = np.zeros((len(places), len(names)))
    start[np.arange(len(places)), [names.index(place) for place in places]] = unknown
    stands = meeting.tables["flock"].set_index("bird")["stands"]
    stay = stands.index[stands.isin(["keep", "reserve"])]
    shares = pedigree.descend(start)[pedigree.positions(stay)]
    frame = pd.DataFrame(shares, index=stay, columns=names)
    return frame.loc[:, frame.max() > 1e-9]


def blood_picture(meeting: Meeting) -> Fragment:
    """Where the blood of each bird that stays comes from, a bar a bird."""
    frame, who = blood_frame(meeting), called(meeting.flock)
    if frame.empty:
        return Fragment("")
    names = [str(name) for name in frame.columns]
    rows = [
        {"bird": str(who(str(bird))), "blood": _shares(dict(zip(names, of, strict=True)))}
        for bird, of in frame.iterrows()
    ]
    shown = table(
        rows,
        {"bird": "Bird", "blood": "Blood"},
        "Where the blood of those that stay comes from",
        kind="prices",
    )
    marks = plot.key(names, SERIES * len(names), MARKERS * len(names))
    return fold("Where each bird's blood comes from", join([shown, marks]), on_paper=False)


def _shares(of: Mapping[str, float]) -> Markup:
    """Shares one after another along a bar, each with its per cent where there is room."""
    parts, at = [], 0.0
    for i, share in enumerate(of.values()):
        wide = _BAR * share
        parts.append(
            Markup('<rect x="{:.1f}" y="1" width="{:.1f}" height="14" fill="{}" stroke="{}"/>').format(
                at, wide, SERIES[i % len(SERIES)], PAPER
            )
        )
        at += wide
    said = ", ".join(f"{name} {100 * share:.0f} %" for name, share in of.items() if share >= 0.005)
    return Markup(
        '<svg class="track" viewBox="0 0 {} 16" role="img" aria-label="{}">{}</svg><span class="small">{}</span>'
    ).format(_BAR, said, Markup("").join(parts), said)

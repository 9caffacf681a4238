"""The history written down: one typed frame for each form, and the same as the cells of a sheet."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from demo import breed, seen
from demo.basket import Basket
from demo.books import costs, income, rings, sales
from demo.history import Bird, History
from selection.records.forms.columns import FORMS


def forms(h: History, laying: Basket, until: int) -> dict[str, pd.DataFrame]:
    """The twelve forms, typed as `selection.records.flock.assemble` takes them, up to the day `until`."""
    ringed = rings(h, until)
    rows = {
        "clutches": h.clutches,
        "birds": [_bird(h, b) for b in h.birds],
        "rings": ringed,
        "pens": [{"pen": s.pen, "bird": s.bird.bird, "from": s.since, "to": s.until} for s in h.pens],
        "scores": _scores(h, _pairs(ringed)),
        "weights": _weights(h, until),
        "measures": seen.measure(h),
        "eggs": laying.rows,
        "sales": sales(h),
        "costs": costs(h),
        "income": income(h),
        "decisions": h.decisions,
    }
    return {name: _typed(name, table) for name, table in rows.items()}


def cells(frame: pd.DataFrame) -> pd.DataFrame:
    """A typed frame as text: ISO days, numbers without idle decimals, blanks for what was not recorded.

    A row that names its bird by rings has its `bird` blank, as it was written on paper.
    """
    text = pd.DataFrame({name: _as_text(column) for name, column in frame.items()})
    if "left" in text:
        text["bird"] = text["bird"].where(text["left"] == "", "")
    return text


def dates(days: pd.Series) -> pd.Series:
    """Ordinals (missing: None or NaN) as datetime64[s]."""
    since = pd.to_numeric(days, errors="coerce").to_numpy(dtype=float) - date(1970, 1, 1).toordinal()
    out = np.full(len(since), np.datetime64("NaT"), dtype="datetime64[D]")
    known = ~np.isnan(since)
    out[known] = since[known].astype(int).astype("datetime64[D]")
    return pd.Series(out.astype("datetime64[s]"), index=days.index)


def _as_text(column: pd.Series) -> pd.Series:
    if pd.api.types.is_datetime64_any_dtype(column):
        text = column.dt.strftime("%Y-%m-%d")
    elif pd.api.types.is_numeric_dtype(column):
        text = column.map("{:.12g}".format)
    else:
        text = column
    return text.astype("object").where(column.notna(), "")


def _typed(name: str, rows: list[dict]) -> pd.DataFrame:
    """The rows in the form's order of columns, days as dates; columns the holding never uses are left out."""
    form, frame = FORMS[name], pd.DataFrame(rows)
    order = [c for c in form.names if c in frame and frame[c].notna().any()]
    if name == "scores":
        at = order.index("total") if "total" in order else len(order)
        order[at:at] = [section.name for section in breed.EYE]
    frame = frame[order].copy()
    for column in (c for c in order if c in form.names and form.column(c).kind == "date"):
        frame[column] = dates(frame[column])
    return frame


def _bird(h: History, b: Bird) -> dict:
    return {
        "bird": b.bird,
        "sex": ("male" if b.male else "female") if b.sexed else "unknown",
        "clutch": h.mixed.get(b.clutch or "", b.clutch),
        "hatched_on": None if b.clutch else str(b.year),
        "dam": b.dam,
        "origin": "bought-in" if b.came else None,
        "source": b.source,
        "came_on": b.came,
        "name": b.name,
        "gone_on": b.gone,
        "gone_why": b.why,
    }


def _pairs(ringed: list[dict]) -> dict[str, tuple[str, str]]:
    """The ring pair of each bird that has one."""
    legs: dict[str, dict[str, str]] = {}
    for ring in ringed:
        legs.setdefault(ring["bird"], {})[ring["leg"]] = ring["colour"]
    return {bird: (on["left"], on["right"]) for bird, on in legs.items() if len(on) == 2}


def _scores(h: History, pairs: dict[str, tuple[str, str]]) -> list[dict]:
    """The looks, a share of them naming their bird by its rings, and the founders' old show cards."""
    sections = [section.name for section in breed.EYE]
    rows = seen.show_cards(h)
    for look in h.looks:
        by_rings, noted = h.rng.random((2, len(look.birds)))
        for k, bird in enumerate(look.birds):
            left, right = (
                pairs.get(bird.bird, (None, None)) if by_rings[k] < h.options.by_rings else (None, None)
            )
            row = {"on": look.on, "judge": look.judge, "bird": bird.bird, "left": left, "right": right}
            row |= dict(zip(sections, look.points[k].tolist(), strict=True)) | {"faults": look.faults[k]}
            row["note"] = str(h.rng.choice(breed.LOOK_NOTES)) if noted[k] < 0.03 else None
            rows.append(row)
    return rows


def _weights(h: History, until: int) -> list[dict]:
    w = seen.weigh(h, until)
    rows: list[dict] = []
    crates: dict[tuple[int, str | None, str], list[float]] = {}
    for i, on, grams in zip(w["bird"], w["on"].tolist(), w["grams"].tolist(), strict=True):
        bird = h.birds[i]
        if bird.ringed:
            rows.append({"on": on, "bird": bird.bird, "grams": grams})
        elif h.options.unnamed:
            sex = ("male" if bird.male else "female") if bird.sexed else "unknown"
            crates.setdefault((on, bird.clutch, sex), []).append(grams)
    for (on, clutch, sex), grams in crates.items():
        row = {"on": on, "clutch": clutch, "sex": sex, "n": len(grams), "grams": float(round(np.mean(grams)))}
        rows.append(row)
    return sorted(rows, key=lambda r: (r["on"], r.get("bird", ""), r.get("clutch", ""), r.get("sex", "")))

"""A bar in a notebook that says which step is going on, and how far it is; gone when all is done."""

from __future__ import annotations

from collections.abc import Callable


def progress_bar() -> Callable[[str, float], None]:
    """A function of a step's name and the share done (0–1) that draws them under the cell that is running.

    Steps may come in any order; each share is of the whole, and at 1 the bar goes.
    """
    from IPython.display import display
    from ipywidgets import FloatProgress, HBox, Label

    bar, name = FloatProgress(min=0.0, max=1.0), Label()
    shown = HBox([bar, name])
    display(shown)

    def show(step: str, share: float) -> None:
        bar.value, name.value = share, step
        if share >= 1:
            shown.close()

    return show

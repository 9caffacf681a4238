"""The commands: thin, each calls one function of the library and says what it did.

Exit status: 0 all well, 1 some rows refused or something found, 2 nothing could be done.
"""

from __future__ import annotations

import argparse
import gc
import io
import os
import sys
import time
import warnings
from collections.abc import Callable, Sequence
from contextlib import redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from datetime import date

    from selection.records.flock import Flock


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; errors are shown in words, never as a traceback."""
    _any_letters()
    options = _parser().parse_args(arguments)
    gc.set_threshold(50_000, 20, 50)  # clearing up while modules load is a tenth of a short command
    said = io.StringIO()  # told at the end: whatever becomes of the words, the work is done first
    with redirect_stdout(said):
        status = _run(options)
    return _told(said.getvalue(), status)


def _run(options: argparse.Namespace) -> int:
    """Run the command asked for; whatever stops it is told in words."""
    from selection.errors import SelectionError

    try:
        with warnings.catch_warnings():
            warnings.showwarning = _in_plain_words
            return options.run(options)
    except SelectionError as error:
        print(error, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("stopped; what was recorded before is safe", file=sys.stderr)
        return 2
    except OSError as error:
        from selection.records.ledger.durable import reason

        print(f"{error.filename or 'a file'}: {reason(error)}", file=sys.stderr)
        return 2
    except (
        Exception
    ) as error:  # whatever else: a fault of the program, in words, and nothing recorded is lost
        return _own_fault(error)


def _any_letters() -> None:
    """Let every letter be told, on a terminal that knows few: others come as their code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _told(words: str, status: int) -> int:
    """Print what a command has to say; where nothing can be printed, say so, and that what was done is done."""
    try:
        print(words, end="", flush=True)
    except BrokenPipeError:  # whoever read the words has seen enough of them
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        from selection.records.ledger.durable import reason

        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        done = "nothing was done" if status == 2 else "what was asked is done, and what was recorded is safe"
        print(f"the words could not be printed: {reason(error)}; {done}", file=sys.stderr)
        return max(status, 1)
    return status


def _in_plain_words(message: Warning | str, category: type[Warning], *_: object, **__: object) -> None:
    """Show a warning of the library's own as the words it is; others are no news to a breeder."""
    if category.__module__.startswith("selection."):
        print(message, file=sys.stderr)


def _own_fault(error: Exception) -> int:
    """Say that the program is at fault, and where its own account of it lies."""
    import tempfile
    import traceback

    with tempfile.NamedTemporaryFile(
        "w", prefix="selection-", suffix=".txt", delete=False, encoding="utf-8"
    ) as account:
        account.write("".join(traceback.format_exception(error)))
    print(
        f"a fault of this program, not of your records ({type(error).__name__}: {error}); what was recorded "
        f"is safe. Please report it with the file {account.name}",
        file=sys.stderr,
    )
    return 2


_DAY = "the day it is for, as 2026-06-10 (default: today within the season, else the plan's)"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="selection", description="A season's forms in, a selection meeting's verdicts out."
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    record = _command(commands, "record", _record, "take in a workbook, a CSV or a folder of forms")
    record.add_argument("forms", type=Path, help="workbook, CSV or folder of them")
    record.add_argument(
        "--correct", action="store_true", help="let this batch change or clear recorded values"
    )
    meeting = _command(commands, "meeting", _meeting, "hold the season's meeting: the pack and its tables")
    meeting.add_argument("--out", type=Path, required=True, help="folder for meeting.html and the tables")
    forms = _command(commands, "forms", _forms, "write the season's workbook and the sheets to print")
    forms.add_argument("--out", type=Path, default=None, help="folder for them (default: FLOCK/forms)")
    forms.add_argument("--on", default=None, help=_DAY)
    rings = _command(commands, "rings", _rings, "plan rings: free pairs, rings to check or change")
    rings.add_argument("--colours", default=None, help="colours in stock, parted by commas")
    rings.add_argument("--on", default=None, help=_DAY)
    decide = _command(commands, "decide", _decide, "record what the meeting decided on a bird")
    decide.add_argument("bird", help='its number, name, or colours as worn that day: "green blue"')
    decide.add_argument("decided", choices=("keep", "reserve", "sell"), nargs="?")
    decide.add_argument(
        "--undo", action="store_true", help="take back the bird's last decision of the season"
    )
    decide.add_argument("--why", default="", help="the reason")
    decide.add_argument("--who", default="", help="who decided")
    decide.add_argument("--on", default=None, help="the day, as 2026-10-10 (default: the plan's)")
    settle = _command(commands, "settle", _settle, "record what stands at the last meeting as decided")
    settle.add_argument("--who", default="", help="who settles it")
    settle.add_argument("--on", default=None, help="the meeting's day (default: the last meeting held)")
    settle.add_argument("--undo", action="store_true", help="take back what settling recorded")
    who = _command(commands, "who", _who, "tell a bird's whole life, in words or as one page")
    who.add_argument("bird", help='its number, name, or colours as worn that day: "green blue"')
    who.add_argument("--on", default=None, help="the day, as 2026-10-10 (default: today within the season)")
    who.add_argument(
        "--out", type=Path, default=None, help="a file for the page, with its photo and family tree"
    )
    buyer = _command(
        commands, "buyer", _buyer, "write a buyer's sheets: a page a bird, with three generations"
    )
    buyer.add_argument("birds", nargs="+", metavar="BIRD", help="number, name, or colours as worn that day")
    buyer.add_argument("--out", type=Path, required=True, help="the file for the sheets")
    buyer.add_argument("--to", default="", help="the buyer's name")
    buyer.add_argument("--on", default=None, help="the day, as 2026-10-10 (default: the plan's)")
    _command(commands, "check", _check, "verify everything that is recorded")
    export = _command(commands, "export", _export, "give back every form as CSV and workbook")
    export.add_argument("--out", type=Path, required=True, help="folder for them")
    _command(commands, "merge", _merge, "merge the ledger's small files")
    return parser


def _command(
    commands: Any, name: str, run: Callable[[argparse.Namespace], int], summary: str
) -> argparse.ArgumentParser:
    command = commands.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
    command.add_argument("flock", type=Path, metavar="FLOCK", help="the flock's folder")
    command.set_defaults(run=run)
    return command


def _record(options: argparse.Namespace) -> int:
    from selection.merit.published import check_likes, likes_by_name
    from selection.records.intake.recording import record
    from selection.records.settings.reading import read_standard

    recorded = record(
        options.flock, options.forms, correct=options.correct, approve=check_likes, progress=_progress
    )
    print(recorded.words())
    if "standard.toml" in recorded.adopted:
        for line in likes_by_name(read_standard(options.flock / "standard.toml")):
            print(line)
    entered = {*recorded.taken, *recorded.completed, *recorded.corrected}
    impossible = _impossible(options.flock) if entered & {"birds", "clutches", "pens"} else None
    if impossible:
        print(f"a meeting cannot be held so: {impossible}", file=sys.stderr)
    return max(recorded.status, int(impossible is not None))


def _impossible(path: Path) -> str | None:
    """What of the parents on record no meeting could reckon with, pens and clutches seen together; else None."""
    from selection.errors import PedigreeError, SelectionError
    from selection.merit.relationship.parentage import parentage
    from selection.records.flock import read_flock

    try:
        parentage(read_flock(path))
    except PedigreeError as error:
        return str(error)
    except SelectionError:  # said elsewhere: no plan yet, a standard with faults
        return None
    return None


def _meeting(options: argparse.Namespace) -> int:
    from selection.show.pack import hold_meeting  # alone: it starts the kernel before tables are loaded

    left = hold_meeting(options.flock, options.out, progress=_progress)
    print("\n".join(left.lines))

    from selection.records.ledger.lookup import kept_left_out, left_out

    for found in (*left_out(options.flock), *kept_left_out(options.flock)):
        print(f"held without {found}", file=sys.stderr)
    for said in (left.failed, left.unkept):
        if said:
            print(said, file=sys.stderr)
    return left.status


def _forms(options: argparse.Namespace) -> int:
    from selection.show.sheets.calendar import write_season

    flock, meeting = _seen_on(options)
    out = options.out or options.flock / "forms"
    print("\n".join(write_season(options.flock, flock, meeting, out)))
    _after_the_meeting(options.flock, out, flock.plan.on)
    return 0


def _after_the_meeting(flock: Path, out: Path, day: date) -> None:
    """Leave next season's forms, once this season's meeting was held, and say so."""
    from selection.records.export import write_next

    left = write_next(flock, out, day)
    for line in left.said:
        print(line)
    if left.written:
        print(f"for next season, to be handed in by itself: {', '.join(str(path) for path in left.written)}")


def _rings(options: argparse.Namespace) -> int:
    from selection.records.after_meeting import after_meeting
    from selection.records.ringplan import ring_plan

    colours = options.colours.split(",") if options.colours else None
    flock, _ = _seen_on(options)
    parts = (f"As of {flock.plan.on}", ring_plan(flock, colours).text(), after_meeting(flock).text())
    print("\n\n".join(part for part in parts if part))
    return 0


def _seen_on(options: argparse.Namespace) -> tuple[Flock, date]:
    """The flock on the day asked for, and the day of its meeting; a day outside the season is said."""
    from datetime import date

    from selection.records.flock import flock_on

    seen = flock_on(options.flock, options.on, date.today())
    if seen.said:
        print(seen.said, file=sys.stderr)
    return seen.flock, seen.meeting


def _decide(options: argparse.Namespace) -> int:
    from selection.decide.settling import decide, decided_words, doubt

    flock, bird, day = options.flock, options.bird, options.on
    if options.undo == bool(options.decided):
        print("say what was decided, keep, reserve or sell, or --undo to take it back", file=sys.stderr)
        return 2
    if options.undo:
        return _undo(flock, bird, day)
    recorded = decide(flock, bird, options.decided, why=options.why, who=options.who, on=day)
    print(recorded.words())
    if recorded.status == 0:
        print(decided_words(flock, bird, options.decided, day))
        if said := doubt(flock, bird, options.decided, day):
            print(said)
        _catch_list_again(flock)
    return recorded.status


def _undo(flock: Path, bird: str, day: str | None) -> int:
    from selection.decide.settling import undo

    undone = undo(flock, bird, on=day)
    print(undone.words())
    _catch_list_again(flock)
    return undone.status


def _settle(options: argparse.Namespace) -> int:
    from selection.decide.settling import settle, unsettle

    flock = options.flock
    done = unsettle(flock) if options.undo else settle(flock, who=options.who, on=options.on)
    print(done.words(), file=sys.stderr if done.stopped else sys.stdout)
    if done.undone:
        _catch_list_again(flock)
    elif not done.stopped:
        _catch_list(flock)
    return done.status


def _who(options: argparse.Namespace) -> int:
    from datetime import date

    from selection.decide.life import life
    from selection.records.flock import flock_on
    from selection.records.ledger.kept import read_meetings
    from selection.records.rings import find_bird
    from selection.show.bird import life_in_words, write_page

    now = flock_on(options.flock, options.on, date.today())
    if now.said:
        print(now.said, file=sys.stderr)
    flock = now.flock
    bird = find_bird(options.bird, flock.birds, flock.rings, flock.plan.on)
    found = life(flock, bird, meetings=read_meetings(options.flock, ("flock", "verdicts")))
    if options.out is None:
        print(life_in_words(found))
        return 0
    album = write_page(found, options.flock, options.out)
    print(f"written: {options.out}")
    print("\n".join(f"photo left out: {line}" for line in album.left_out), end="\n" if album.left_out else "")
    return 0


def _catch_list(path: Path) -> None:
    """Leave the catch list of those that go beside the season's forms, and say what else is left to do."""
    from selection.decide.settling import to_sell
    from selection.records.flock import read_flock
    from selection.show.sheets.pen_sheets import write_catch_list

    flock = read_flock(path)
    goes = to_sell(path, flock)
    if len(goes):
        print(f"the catch list: {write_catch_list(flock, goes, path / 'forms')}")
        print(f"for the sales form with these birds, and next season's: selection forms {path}")
        print(f"for what a buyer takes home: selection buyer {path} BIRD… --out sheets.html --to NAME")


def _catch_list_again(path: Path) -> None:
    """Bring the catch list that settling left up to date with what is decided now; where none was left, nothing."""
    from selection.decide.settling import to_sell
    from selection.records.flock import read_flock
    from selection.show.sheets.pen_sheets import write_catch_list

    left = path / "forms" / "catch-list.html"
    if not left.is_file():
        return
    flock = read_flock(path)
    if len(goes := to_sell(path, flock)):
        print(f"the catch list, with what is decided now: {write_catch_list(flock, goes, left.parent)}")
    else:
        left.unlink()
        print(f"no bird is decided to go now: {left} is taken away")


def _buyer(options: argparse.Namespace) -> int:
    from selection.records.flock import flock_on
    from selection.records.rings import find_bird
    from selection.show.sheets.buyer_sheet import write_buyer_sheets

    now = flock_on(options.flock, options.on)
    flock = now.flock
    birds = [find_bird(bird, flock.birds, flock.rings, flock.plan.on) for bird in options.birds]
    album = write_buyer_sheets(options.flock, flock, birds, options.out, options.to)
    print(*([now.said] if now.said else []), *(f"photo left out: {line}" for line in album.left_out), sep="\n",
          file=sys.stderr, end="\n" if now.said or album.left_out else "")  # fmt: skip
    print(f"written: {options.out}")
    return 0


def _check(options: argparse.Namespace) -> int:
    from selection.records.check import check

    found = check(options.flock, _progress)
    print(found.text())
    if impossible := _impossible(options.flock):
        print(f"a meeting cannot be held so: {impossible}")
        return max(found.status, 1)
    return found.status


def _export(options: argparse.Namespace) -> int:
    from selection.errors import SelectionError
    from selection.merit.relationship.kinship import pedigree_table
    from selection.merit.relationship.parentage import parentage
    from selection.records.export import export, export_table
    from selection.records.flock import whole_flock
    from selection.records.forms.reading import PEDIGREE

    for path in export(options.flock, options.out):
        print(f"written: {path}")
    try:  # the forms are safe by now, whatever stands in the way of the pedigree
        flock = whole_flock(options.flock)
        table = pedigree_table(parentage(flock).pedigree, flock.birds)
    except SelectionError as error:
        print(f"{PEDIGREE} is not written: {error}", file=sys.stderr)
        return 1
    print(f"written: {export_table(table, options.out / PEDIGREE)}")
    return 0


def _merge(options: argparse.Namespace) -> int:
    from selection.records.ledger.appending import compact

    fewer = compact(options.flock, progress=_progress)
    print(f"{fewer} files fewer; what is recorded is the same" if fewer else "nothing to merge")
    return 0


_STARTED = time.monotonic()


def _progress(step: str, share: float) -> None:
    """One line on the terminal that grows, with what is left; nothing where nobody watches."""
    if sys.stderr.isatty():
        filled = round(24 * share)
        left = _left(share, time.monotonic() - _STARTED)
        print(
            f"\r{'█' * filled}{'·' * (24 - filled)} {f'{step[:34]}{left}':<50}",
            end="" if share < 1 else "\n",
            file=sys.stderr,
        )


def _left(share: float, seconds: float) -> str:
    """How long the rest takes if it goes on as so far; blank at first, while that tells little."""
    if seconds < 2 or not 0.05 <= share < 1:
        return ""
    rest = seconds * (1 - share) / share
    return f", {rest:.0f} s left" if rest < 100 else f", {rest / 60:.0f} min left"


if __name__ == "__main__":
    sys.exit(main())

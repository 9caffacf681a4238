"""Files that are either wholly there or not there at all, whatever stops the machine meanwhile.

A file is written hidden beside its place, synced, and given its name in one step; the folder is synced too.
:func:`publish` puts a file under a name nobody else uses; :func:`claim` takes a name that others may want,
and says whether it got it. No locks: a writer that dies leaves at most a hidden file.
"""

from __future__ import annotations

import errno
import glob
import os
import time
import uuid
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from selection.errors import RecordsError

WORDS = {
    errno.ENOSPC: "the disk is full; free some room and try again",
    errno.EDQUOT: "the disk quota is used up; free some room and try again",
    errno.EFBIG: "the disk takes no file of this size; free some room or choose another disk",
    errno.EACCES: "there is no permission; ask for the right to read and write there, or choose another place",
    errno.EPERM: "there is no permission; ask for the right to read and write there, or choose another place",
    errno.EROFS: "the disk can only be read; choose another folder",
    errno.EISDIR: "a folder stands where a file is to be written; move it away",
    errno.EEXIST: "a file stands where a folder is needed; move it away",
    errno.ENOTDIR: "a file stands where a folder is needed; move it away",
    errno.ENOENT: "there is no such file or folder",
}
LEFT_OVER = 60
"""Seconds after which a hidden file is nobody's any more: writing one takes moments."""
NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)
"""What a file system without hard links answers (FAT, some network disks)."""


@contextmanager
def disk_faults(where: Path | str) -> Iterator[None]:
    """Turn an operating-system error inside the block into a RecordsError that says what to do."""
    try:
        yield
    except OSError as error:
        raise RecordsError(f"{where}: {reason(error)}. What was recorded before is safe.") from error


def reason(error: OSError) -> str:
    """Why the operating system says no, and what to do."""
    return WORDS.get(error.errno or 0, error.strerror or str(error))


def publish(path: Path, data: bytes) -> None:
    """Write `data` at `path`, replacing what was there, in one step that survives a crash.

    Raises OSError (nothing is left behind) where the disk does not take it.
    """
    hidden = _hidden(path, data)
    try:
        hidden.replace(path)
    except OSError:
        hidden.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def publish_all(folder: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Write files (by name) into `folder`, made if it is not there, once all of them are safely on the disk.

    Raises OSError where the disk does not take one of them: then none has changed. Hidden files that a writer who was
    stopped left of them are removed.
    """
    there = folder.exists()
    paths = [folder / name for name in files]
    if taken := next((path for path in paths if path.is_dir()), None):
        raise IsADirectoryError(errno.EISDIR, "a folder stands where a file is to be written", str(taken))
    hidden: list[Path] = []
    try:
        for path in paths:
            hidden.append(_hidden(path, files[path.name]))
        _sweep(paths)
        for new, path in zip(hidden, paths, strict=True):
            new.replace(path)
    except BaseException:
        for new in hidden:
            with suppress(OSError):
                new.unlink(missing_ok=True)
        if not there:
            with suppress(OSError):
                folder.rmdir()
        raise
    sync_folder(folder)
    return paths


def _sweep(paths: Iterable[Path]) -> None:
    """Remove what writers who were stopped left beside these paths."""
    for path in paths:
        for left in path.parent.glob(f".{glob.escape(path.name)}.????????.tmp"):
            with suppress(OSError):
                if time.time() - left.stat().st_mtime > LEFT_OVER:
                    left.unlink()


def claim(path: Path, data: bytes) -> bool:
    """Write `data` at `path` only if nothing is there yet; True if this call is the one that wrote it.

    Of several processes that claim one name at once exactly one is told True.
    """
    if path.exists():
        return False
    hidden = _hidden(path, data)
    try:
        return _take(hidden, path, data)
    finally:
        hidden.unlink(missing_ok=True)


def _take(hidden: Path, path: Path, data: bytes) -> bool:
    try:
        if os.name == "nt":
            hidden.rename(path)  # refuses to replace on Windows, where links need rights
        else:
            os.link(hidden, path)
    except FileExistsError:
        return False
    except OSError as error:
        if error.errno not in NO_LINKS:
            raise
        return _take_without_links(path, data)
    sync_folder(path.parent)
    return True


def _take_without_links(path: Path, data: bytes) -> bool:
    """Claim by exclusive creation; a crash half-way leaves a torn file, set aside by its checksum."""
    try:
        with path.open("xb") as file:
            _write(file.fileno(), data)
    except FileExistsError:
        return False
    except OSError:
        path.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)
    return True


def _hidden(path: Path, data: bytes) -> Path:
    """`data`, synced, in a hidden file beside `path`."""
    path.parent.mkdir(parents=True, exist_ok=True)
    hidden = path.parent / f".{path.name}.{uuid.uuid4().hex[:8]}.tmp"
    try:
        with hidden.open("xb") as file:
            _write(file.fileno(), data)
    except OSError:
        with suppress(OSError):
            hidden.unlink(missing_ok=True)
        raise
    return hidden


def _write(descriptor: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view) :]
    os.fsync(descriptor)


def must_lie_within(root: Path, folders: Iterable[str]) -> None:
    """Raise RecordsError where one of these folders of `root` is a link to another place: it would not be followed."""
    for name in folders:
        if not (root / name).resolve().is_relative_to(root):
            raise RecordsError(
                f"{root / name}: a link that leads out of the flock, which is not followed; put the folder itself "
                "there, or a link to all of records/. Nothing was recorded."
            )


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Keep other processes that ask for the same waiting meanwhile (where the system can)."""
    if os.name != "posix" or not folder.is_dir():
        yield
        return
    import fcntl

    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # a disk without locks
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` survive a power cut (Windows does so by itself)."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)

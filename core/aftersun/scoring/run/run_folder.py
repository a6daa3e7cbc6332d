"""A run that was stopped goes on: its finished chunks lie in a folder beside the inventory until it is stored.

The folder says what its chunks were computed from; chunks of anything else are thrown away. One process at a time may
have it, held by a lock of the operating system, which ends with the process however that ends.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from aftersun.inventory.store.private import umask
from aftersun.model.errors import AftersunError, InUse
from aftersun.scoring.run.finished_chunks import FinishedChunks, read_json, write_json

EXIT_STOPPED = 130  # as shells have it for Ctrl-C
_LOCK, _MADE_FROM = "lock", "made_from.json"
_FORMAT = "2"


class Stopped(AftersunError):
    """The person at the keyboard ended the run."""

    exit_code = EXIT_STOPPED

    def __init__(self, kept: int, chunks: int) -> None:
        text = f"stopped; {kept} of {chunks} chunks are kept, rank again to go on" if chunks else "stopped"
        super().__init__(f"{text}.", "Nothing was changed in the inventory.")


def run_folder_of(inventory: Path) -> Path:
    """Return the folder that the chunks of an unfinished run of this inventory lie in."""
    path = inventory.resolve()
    return path.with_name(f".{path.name}.rank")


class RunFolder:
    """The folder of a run while it is held."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def finished_chunks(
        self, made_from: Mapping[str, str], chunks: int, afresh: bool
    ) -> tuple[FinishedChunks, list[str]]:
        """Return the chunks that are already there, and what has changed since others were computed.

        ``made_from`` holds hashes or values, by name, of all that a chunk's result depends on.
        """
        now = {"format": _FORMAT, **made_from}
        before = read_json(self.path / _MADE_FROM) or {}
        changed = sorted(name for name in now.keys() | before.keys() if now.get(name) != before.get(name))
        kept = bool(before) and not changed and not afresh
        if not kept:
            self.clear()
            write_json(self.path / _MADE_FROM, now)
        return FinishedChunks(self.path, chunks), changed if before and not afresh else []

    def clear(self) -> None:
        """Throw everything away but the lock."""
        for path in self.path.iterdir():
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path, ignore_errors=True)
            elif path.name != _LOCK:
                path.unlink(missing_ok=True)

    def holds_chunks(self) -> bool:
        """Tell whether chunks lie here."""
        return any(path.is_dir() for path in self.path.iterdir())


@contextmanager
def held_run_folder(inventory: Path) -> Iterator[RunFolder]:
    """Hold the folder of an inventory's runs for a block; it is removed at the end unless chunks are left in it.

    Raises
    ------
    InUse
        If another process ranks this inventory.
    AftersunError
        If the folder cannot be made, or is somebody else's.
    """
    folder = run_folder_of(inventory)
    lock = _locked(folder, inventory)
    held = RunFolder(folder)
    try:
        yield held
    finally:
        if not held.holds_chunks():
            held.clear()
            with suppress(OSError):  # on some systems a file that is open stays
                (folder / _LOCK).unlink()
                folder.rmdir()
        lock.close()
        with suppress(OSError):
            folder.rmdir()


def discard(inventory: Path) -> bool:
    """Throw away what an unfinished run of this inventory left; tell whether there was anything. Raises InUse."""
    if not run_folder_of(inventory).is_dir():
        return False
    with held_run_folder(inventory) as held:
        held.clear()
    return True


def digest(*parts: object) -> str:
    """Return a hash of texts and numbers."""
    return hashlib.sha256(json.dumps(parts, default=str).encode()).hexdigest()


def _locked(folder: Path, inventory: Path) -> IO[str]:
    """Make the folder and take its lock."""
    while True:
        _make(folder)
        try:
            with umask():
                handle = (folder / _LOCK).open("a+", encoding="ascii")
        except FileNotFoundError:
            continue  # its last holder has just removed it
        except OSError as error:
            raise _refused(folder, error) from error
        if not _lock(handle):
            handle.seek(0)
            holder = handle.read(20).strip()
            handle.close()
            raise InUse(
                f"Another rank of {inventory} is under way{f' (PID {holder})' if holder.isdigit() else ''}.",
                "Wait for it, or stop it: what it has finished is kept; nothing was changed.",
            )
        with suppress(OSError):
            if os.path.samestat(os.fstat(handle.fileno()), (folder / _LOCK).stat()):
                handle.truncate(0)
                handle.write(f"{os.getpid()}\n")
                handle.flush()
                return handle
        handle.close()  # locked a file that its last holder has just removed


def _make(folder: Path) -> None:
    try:
        with umask():
            folder.mkdir(exist_ok=True)
        if folder.is_symlink() or (hasattr(os, "getuid") and folder.lstat().st_uid != os.getuid()):
            raise AftersunError(
                f"{folder} is not a folder of yours.", "Remove it: finished chunks of a run are to lie there."
            )
        folder.chmod(0o700)
    except OSError as error:
        raise _refused(folder, error) from error


def _refused(folder: Path, error: OSError) -> AftersunError:
    return AftersunError(
        f"The folder {folder} cannot be written ({error.strerror}).",
        "Finished chunks are kept there until the run is stored: see to your rights and the space left.",
    )


def _lock(handle: IO[str]) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            handle.seek(1000)  # beyond the number, which others may read
            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True

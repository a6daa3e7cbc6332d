"""Files that their owner alone may read, and that are there as a whole or not at all."""

from __future__ import annotations

import ctypes
import os
import re
import secrets
import shutil
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import gettempdir
from typing import TextIO
from uuid import getnode

from aftersun.inventory.store.refusals import refusal
from aftersun.model.errors import AftersunError


class _Umask:
    """Takes all rights of others from new files as long as somebody holds it.

    DuckDB makes its file, its log and what it cannot keep in memory with the process's usual rights.
    """

    def __init__(self) -> None:
        self._holders = 0
        self._before = 0

    @contextmanager
    def __call__(self) -> Iterator[None]:
        """Hold it for a block."""
        if not self._holders:
            self._before = os.umask(0o077)
        self._holders += 1
        try:
            yield
        finally:
            self._holders -= 1
            if not self._holders:
                os.umask(self._before)


umask = _Umask()


def make_folder(folder: Path) -> None:
    """Make a folder that its owner alone may enter; one that is there is left as it is.

    Raises
    ------
    AftersunError
        If it cannot be made.
    """
    try:
        with umask():
            folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise refusal("no_new_folder", folder=folder, why=error.strerror) from error


@contextmanager
def open_new(path: Path) -> Iterator[TextIO]:
    """Open a new text file, for a spreadsheet program too, that its owner alone may read.

    It is there as a whole once the block has ended well, or not at all.

    Raises
    ------
    AftersunError
        If it exists or cannot be written.
    """
    refuse_existing([path])
    with (
        made_whole(path) as made,
        _writing(path, _ANOTHER_NAME),
        open(os.open(made, _NEW, 0o600), "w", encoding="utf-8-sig", newline="") as file,
    ):
        yield file


@contextmanager
def made_whole(path: Path) -> Iterator[Path]:
    """Give a name beside a new file to make it under; it gets its own when the block ends well, else nothing is left.

    Raises
    ------
    AftersunError
        As :func:`put_in_place`.
    """
    made = sibling(path)
    try:
        yield made
        put_in_place(made, path, replace=False)
    finally:
        with suppress(OSError):
            made.unlink(missing_ok=True)


@contextmanager
def scratch() -> Iterator[Path]:
    """Make a folder of one's own among the system's temporary ones; left by a kill, it goes with the next command."""
    folder = sibling(Path(gettempdir()) / "aftersun")
    with umask():
        folder.mkdir()
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL
_ANOTHER_NAME = "Choose another name; nothing was changed."


@contextmanager
def _writing(path: Path, what_to_do: str) -> Iterator[None]:
    """Say in a sentence that a file exists or cannot be written."""
    try:
        yield
    except FileExistsError as error:
        raise AftersunError(f"{path} exists already.", _ANOTHER_NAME) from error
    except OSError as error:
        raise AftersunError(f"{path} cannot be written ({error.strerror}).", what_to_do) from error


def refuse_existing(paths: Iterable[Path], what_to_do: str = _ANOTHER_NAME) -> None:
    """Raise an AftersunError that names the first of these files that is there, if one is."""
    for path in paths:
        if os.path.lexists(path):
            raise AftersunError(f"{path} exists already.", what_to_do)


def check_folder(path: Path) -> None:
    """Raise an AftersunError if there is no folder to put this file into."""
    if not path.parent.is_dir():
        raise refusal("no_folder", folder=path.parent)


def sibling(path: Path) -> Path:
    """Return an unused name beside a path, for a file that is to take its place; what was left of others goes."""
    clear_debris(path.parent)
    return path.with_name(f"{path.name}{_MAKING}{_HERE}-{os.getpid()}-{secrets.token_hex(4)}")


_MAKING = ".making-"
_MAY_BE_ASKED, _NO_SUCH_PROCESS, _RUNNING = 0x1000, 87, 259  # of Windows: PROCESS_QUERY_LIMITED_INFORMATION, errors
_HERE = f"{getnode():x}"  # processes of another machine, at the same folder, cannot be seen from here
# DuckDB's log and what it cannot keep in memory have the name of their file and an ending.
_DEBRIS = re.compile(rf"{re.escape(_MAKING)}{_HERE}-(\d+)-[0-9a-f]{{8}}(\.[a-z.]+)?$")


def clear_debris(folder: Path) -> None:
    """Remove what processes of this machine that are no more were making in a folder; it may hold personal data."""
    with suppress(OSError):
        for path in folder.iterdir():
            maker = _DEBRIS.search(path.name)
            if maker and not _runs(int(maker[1])):
                with suppress(OSError):  # somebody else's
                    shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()


def _runs(pid: int) -> bool:
    if sys.platform == "win32":  # where os.kill would end it
        kernel, code = ctypes.WinDLL("kernel32", use_last_error=True), ctypes.c_ulong()
        handle = kernel.OpenProcess(_MAY_BE_ASKED, False, pid)
        if not handle:
            return ctypes.get_last_error() != _NO_SUCH_PROCESS
        kernel.GetExitCodeProcess(handle, ctypes.byref(code))
        kernel.CloseHandle(handle)
        return code.value == _RUNNING
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:  # somebody else's
        return True
    return True


def real_file(path: Path | str) -> Path:
    """Return where a file that is to be replaced really lies; a link that leads nowhere stays as it is named.

    Raises
    ------
    AftersunError
        If it has a second name, under which what is erased would stay.
    """
    path = Path(path)
    if path.exists():
        path = path.resolve()
    clear_debris(path.parent)  # a process killed while it gave a file its name leaves it two
    if path.is_file() and path.stat().st_nlink > 1:
        raise refusal("second_name", path=path)
    return path


def left_over(path: Path) -> list[Path]:
    """Return the files that were to take the place of one, and did not because their maker was killed."""
    return [name for name in path.parent.iterdir() if name.name.startswith(path.name + _MAKING)]


def put_in_place(made: Path, path: Path, replace: bool) -> None:
    """Give a finished file its name, at once and for good.

    Raises
    ------
    AftersunError
        If something stands there already and is not to be replaced, or the folder cannot be written to.
    """
    with _writing(path, "Choose another place."):
        with made.open("rb+") as handle:
            os.fsync(handle.fileno())
        made.chmod(0o600)
        if replace:
            made.replace(path)
        else:
            _give_name(made, path)
            made.unlink()
        _settle(path.parent)


def _give_name(made: Path, path: Path) -> None:
    """Give a file another name without ever overwriting, as a renaming would."""
    try:
        os.link(made, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        handle = os.open(path, _NEW, 0o600)
        try:
            with open(handle, "wb") as copy, made.open("rb") as source:
                shutil.copyfileobj(source, copy)
                copy.flush()
                os.fsync(copy.fileno())
        except BaseException:
            path.unlink()
            raise


def _settle(folder: Path) -> None:
    """Make a new name outlast a power failure; not every file system knows how."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

"""Puts finished files where they are wanted: whole or not at all, never over something else unasked, private."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from aftersun.inventory.store.private import clear_debris, put_in_place, sibling, umask
from aftersun.model.errors import AftersunError

_MOST_LETTERS_OF_A_NAME = 60


def harmless(text: str, otherwise: str) -> str:
    """Return a text as a part of a file name: letters, digits, underscores and hyphens alone."""
    return re.sub(r"[^A-Za-z0-9_]+", "-", text).strip("-_")[:_MOST_LETTERS_OF_A_NAME] or otherwise


def is_harmless(name: str) -> bool:
    """Tell whether a file name can be taken as it is."""
    return re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,79}(\.[A-Za-z0-9]{1,8})?", name) is not None


@contextmanager
def workshop(target: Path, inside: bool = False) -> Iterator[Path]:
    """Make an empty folder beside a target for the length of a block; what is left in it then is thrown away.

    ``inside``: where the target is a folder, in it, as the folder around it may belong to somebody else.

    Raises
    ------
    AftersunError
        If there is no folder that holds the target, or it cannot be written to.
    """
    if not target.parent.is_dir():
        raise AftersunError(f"There is no folder {target.parent}.", "Make the folder first, or correct the path.")
    clear_debris(target.parent)  # of one who was killed before the target was there
    work = sibling(target / "files" if inside and target.is_dir() else target).absolute()
    with umask():
        try:
            work.mkdir()
        except OSError as error:
            raise _unwritable(target, error) from error
        try:
            yield work
        finally:
            shutil.rmtree(work, ignore_errors=True)


def refuse_existing(target: Path, replace: bool) -> None:
    """Raise AftersunError if something stands at the target and is not to be replaced by a folder."""
    if not (target.exists() or target.is_symlink()):
        return
    if not replace:
        raise AftersunError(f"{target} exists already.", "Choose another name, or say --replace; nothing was changed.")
    if target.is_symlink() or not target.is_dir():
        raise AftersunError(f"{target} is no folder.", "Choose another name; nothing was changed.")
    if not (target / "manifest.json").is_file() and any(target.iterdir()):
        raise AftersunError(
            f"{target} holds something else than the outputs of a run.", "Choose another name; nothing was changed."
        )


@contextmanager
def put_folder(made: Path, target: Path, replace: bool) -> Iterator[None]:
    """Give a finished folder its name, in one step, and take it back if the block fails.

    What it replaces is put back then, and removed otherwise.

    Raises
    ------
    AftersunError
        As :func:`refuse_existing`, or if the folder cannot be put there.
    """
    refuse_existing(target, replace)
    for path in (made, *made.rglob("*")):
        path.chmod(0o700 if path.is_dir() else 0o600)
    old = sibling(target) if target.exists() else None
    try:
        if old is not None:
            target.rename(old)
        made.rename(target)
    except OSError as error:
        if old is not None and old.exists():
            old.rename(target)
        raise _unwritable(target, error) from error
    try:
        yield
    except BaseException:
        target.rename(made)
        if old is not None:
            old.rename(target)
        raise
    if old is not None:
        shutil.rmtree(old, ignore_errors=True)


@contextmanager
def put_files(made: Sequence[Path], folder: Path) -> Iterator[list[Path]]:
    """Put finished files into a folder, which is made if it is not there, and take them back if the block fails.

    A file that is there already with the very bytes is left as it is.

    Raises
    ------
    AftersunError
        If another file of that name is there, or the folder cannot be written to; none is there then.
    """
    new = not folder.exists()
    placed: list[Path] = []
    try:
        try:
            if new:
                folder.mkdir(mode=0o700)
            for path in made:
                target = folder / path.name
                if target.is_symlink() or not target.is_file() or target.read_bytes() != path.read_bytes():
                    put_in_place(path, target, replace=False)
                    placed.append(target)
        except OSError as error:
            raise _unwritable(folder, error) from error
        yield [folder / path.name for path in made]
    except BaseException:
        for target in placed:
            target.unlink(missing_ok=True)
        if new:
            with suppress(OSError):
                folder.rmdir()
        raise


def _unwritable(target: Path, error: OSError) -> AftersunError:
    return AftersunError(
        f"{target} cannot be written ({error.strerror or error}).", "Choose another place; nothing was changed."
    )

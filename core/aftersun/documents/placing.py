"""Puts finished files where they are wanted: whole or not at all, never over something else unasked, private.

They get their names when the block is done in which the inventory learns of them. A kill in between leaves no letter
that it does not know: what it knows is written once more, byte for byte, whenever that is asked for.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from aftersun.inventory.store.private import clear_debris, put_in_place, sibling, umask
from aftersun.inventory.store.private import refuse_existing as no_other
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
    """Give a finished folder its name, in one step, when the block has ended well; what it replaces is removed.

    Raises
    ------
    AftersunError
        As :func:`refuse_existing`, or if the folder cannot be put there; what was to be replaced is there then.
    """
    refuse_existing(target, replace)
    for path in (made, *made.rglob("*")):
        path.chmod(0o700 if path.is_dir() else 0o600)
    yield
    old = sibling(target) if target.exists() else None
    try:
        _exchange(made, target, old)
    except OSError as error:
        raise _unplaced(target, error) from error
    if old is not None:
        shutil.rmtree(old, ignore_errors=True)


def _exchange(made: Path, target: Path, old: Path | None) -> None:
    """Give a folder its name; the one that has it gets another, and its own back where that fails."""
    if old is not None:
        target.rename(old)
    try:
        made.rename(target)
    except OSError:
        if old is not None:
            old.rename(target)
        raise


@contextmanager
def put_files(made: Sequence[Path], folder: Path) -> Iterator[list[Path]]:
    """Put finished files into a folder, which is made if it is not there, when the block has ended well.

    A file that is there already with the very bytes is left as it is.

    Raises
    ------
    AftersunError
        If another file of that name is there, or the folder cannot be written to.
    """
    new = not folder.exists()
    try:
        try:
            if new:
                folder.mkdir(mode=0o700)
            to_place = [path for path in made if not _is_there(path, folder / path.name)]
        except OSError as error:
            raise _unwritable(folder, error) from error
        no_other(folder / path.name for path in to_place)
        yield [folder / path.name for path in made]
        try:
            for path in to_place:
                put_in_place(path, folder / path.name, replace=False)
        except (OSError, AftersunError) as error:
            raise _unplaced(folder, error) from error
    except BaseException:
        if new:
            with suppress(OSError):
                folder.rmdir()
        raise


def _is_there(made: Path, target: Path) -> bool:
    return not target.is_symlink() and target.is_file() and target.read_bytes() == made.read_bytes()


def _unwritable(target: Path, error: OSError) -> AftersunError:
    return AftersunError(
        f"{target} cannot be written ({error.strerror or error}).", "Choose another place; nothing was changed."
    )


def _unplaced(target: Path, error: OSError | AftersunError) -> AftersunError:
    """Say that something finished did not get its name, after the inventory has learnt of it."""
    said = f"{target} cannot be written ({error.strerror or error})." if isinstance(error, OSError) else str(error)
    return AftersunError(
        said,
        "Choose another place and write again. Letters are kept in the inventory: they keep number and content.",
    )

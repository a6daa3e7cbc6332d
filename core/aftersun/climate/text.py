"""A file's content as text."""

from __future__ import annotations

from pathlib import Path

from aftersun.model.errors import AftersunError

LARGEST_FILE = 64_000_000
"""Bytes. A year in steps of five minutes has about ten million."""

_LONGEST_REASON = 160


def read_bytes(path: Path) -> bytes:
    """Return a file's content, of at most `LARGEST_FILE` bytes; of more, no more than that is read.

    Raises
    ------
    AftersunError
        If it cannot be read, is no plain file, or larger.
    """
    try:
        if path.exists() and not path.is_file():
            raise AftersunError(f"{path.name} cannot be read: it is not a file.", "Check the path.")
        with path.open("rb") as handle:
            content = handle.read(LARGEST_FILE + 1)
    except OSError as error:
        raise AftersunError(
            f"{path.name} cannot be read: {error.strerror}.", "Check the path and the file's rights."
        ) from error
    if len(content) > LARGEST_FILE:
        raise AftersunError(
            f"{path.name} is too large: more than {LARGEST_FILE:,} bytes.", "Give one year of hours of one place."
        )
    return content


def shortened(reason: str) -> str:
    """Return a reason without what a terminal would obey, and without most of a cell that it quotes."""
    plain = "".join(letter if letter.isprintable() else " " for letter in reason)
    return plain if len(plain) <= _LONGEST_REASON else f"{plain[:_LONGEST_REASON]} ..."


class Unusable(ValueError):
    """What a file holds cannot be used; ``hint`` says what to do."""

    def __init__(self, reason: str, hint: str) -> None:
        super().__init__(reason)
        self.hint = hint


def to_text(content: bytes) -> str:
    """Decode UTF-8, with or without its mark, UTF-16 with its mark, else Latin-1; lines end with a line feed."""
    try:
        text = content.decode("utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    return text.replace("\r\n", "\n").replace("\r", "\n")

"""A file's content as text."""

from __future__ import annotations

from pathlib import Path

from aftersun.model.errors import AftersunError


def read_bytes(path: Path) -> bytes:
    """Return a file's content.

    Raises
    ------
    AftersunError
        If it cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise AftersunError(
            f"{path.name} cannot be read: {error.strerror}.", "Check the path and the file's rights."
        ) from error


def to_text(content: bytes) -> str:
    """Decode UTF-8, with or without its mark, else Latin-1; lines end with a line feed."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    return text.replace("\r\n", "\n").replace("\r", "\n")

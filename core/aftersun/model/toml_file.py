"""Reads a settings file that a person wrote, and refuses one that was made to take the machine's time or memory."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

_MOST_BYTES = 1_000_000
_LONGEST_LINE = 10_000  # characters; the standard sets no limit
_MOST_DOTS = 100  # in a line: each part of a dotted key is a table of its own


def read_toml(path: Path) -> dict[str, Any]:
    """Return what a file says.

    Raises
    ------
    OSError
        If it cannot be read.
    ValueError
        If it is no TOML or more than a person writes; the text says what and where.
    """
    if path.exists() and not path.is_file() and not path.is_dir():  # a device or a pipe may have no end
        raise ValueError("it is no ordinary file")
    with path.open("rb") as file:
        return parse_toml(file.read(_MOST_BYTES + 1))


def parse_toml(data: bytes) -> dict[str, Any]:
    """Return what the bytes of a file say. Raises ValueError as :func:`read_toml`."""
    if len(data) > _MOST_BYTES:
        raise ValueError(f"it has more than {_MOST_BYTES:,} bytes")
    text = data.decode("utf-8")
    for number, line in enumerate(text.splitlines(), start=1):
        if len(line) > _LONGEST_LINE or line.count(".") > _MOST_DOTS:
            raise ValueError(f"line {number} is longer than any that a person writes")
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        raise
    except ValueError:  # of Python's own, for a whole number of thousands of digits
        raise ValueError("a number has too many digits") from None
    except RecursionError:
        raise ValueError("a list or table lies too deep within others") from None

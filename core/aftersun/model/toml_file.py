"""Reads a settings file that a person wrote, and refuses one that was made to take the machine's time or memory."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

_MOST_BYTES = 1_000_000
_LONGEST_LINE = 10_000  # characters; the standard sets no limit
_SHOWN = 80  # characters of a line
_YES_NO = {"yes": "true", "no": "false", "true": "true", "false": "false"}
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


def meant(value: str) -> str:
    """Return how a number, share, day or yes and no that was written in another way is written here, "" = unknown."""
    plain = value.strip().strip("'\"").strip()
    if found := re.fullmatch(r"(-?[\d.,' ]+)\s*%", plain):
        number = meant_number(found[1])
        return "" if number is None else f"{number / 100:.10g}"
    if found := re.fullmatch(r"(\d{1,2})[./](\d{1,2})[./](\d{4})", plain):
        return f"{found[3]}-{int(found[2]):02}-{int(found[1]):02}"
    if plain.lower() in _YES_NO:
        return _YES_NO[plain.lower()]
    number = meant_number(plain)
    return "" if number is None else f"{number:.10g}"


def meant_number(text: str) -> float | None:
    """Return a number with a decimal comma or marks between thousands, None = it is none.

    Of two different marks the last is the decimal one; a mark that comes more than once parts thousands.
    """
    digits = text.replace(" ", "").replace("'", "").replace("’", "")
    if not re.fullmatch(r"-?\d[\d.,]*", digits):
        return None
    marks = re.findall("[.,]", digits)
    if len(set(marks)) == 2:
        digits = digits.replace(marks[0], "").replace(marks[-1], ".")
    elif marks and len(marks) > 1:
        digits = digits.replace(marks[0], "")
    return float(digits.replace(",", "."))


def _with_its_line(error: str, text: str) -> str:
    """Return what is wrong, the line where it is, and what was meant if that is plain."""
    found, lines = re.search(r"at line (\d+)", error), text.splitlines()
    if not found or not 0 < int(found[1]) <= len(lines):
        return error
    line = lines[int(found[1]) - 1].strip()
    name, sign, value = line.partition("=")
    value = re.sub(r"\s+#.*$", "", value).strip()
    right = meant(value)
    if not right and sign and re.fullmatch(r"[^\"'\[\]{}=#]*[A-Za-z][^\"'\[\]{}=#]*", value):
        right = f'"{value}"'
    fix = f"; write {name.strip()} = {right}" if sign and right else ""
    return f"line {found[1]} reads {line[:_SHOWN]!r}{fix} ({error})"


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
    except tomllib.TOMLDecodeError as error:
        raise ValueError(_with_its_line(str(error), text)) from error
    except ValueError:  # of Python's own, for a whole number of thousands of digits
        raise ValueError("a number has too many digits") from None
    except RecursionError:
        raise ValueError("a list or table lies too deep within others") from None

"""Makes text from data harmless in a cell, and cuts what no cell can show into pieces without losing a letter."""

from __future__ import annotations

import re

LARGEST_CELL = 16_000  # characters; the format takes 32,767 units of 16 bits, and a character may need two
MOST_LINES = 24  # a row is 409 points high at most: 27 lines
_WIDE_FROM = "\u1100"  # from here on a character may be twice as wide

CONTINUES = " (continues in the next row)"
CONTINUED = "(continued) "

# Control characters, marks that turn the direction of writing, lone surrogates and what is no character: XML forbids
# them or they make a cell read as something else. Tab and line feed stay.
_ODD = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]")
_PICTURES = 0x2400  # Unicode has a visible picture of each control character
_DELETE, _DELETE_PICTURE = "\x7f", "\u2421"


def plain(text: str) -> str:
    """Return the text as a cell may hold it.

    Control characters are shown by their pictures, marks of writing direction removed; what is no character becomes
    the replacement character.
    """
    if _ODD.search(text):
        text = _ODD.sub(_shown, text.replace("\r\n", "\n"))
    # The library takes text between these two for markup of its own and writes it unescaped.
    return f"{text} " if text[:3] == "<r>" and text.endswith("</r>") else text


def _shown(found: re.Match[str]) -> str:
    character = found.group()
    if character < " ":
        return chr(_PICTURES + ord(character))
    if character == _DELETE:
        return _DELETE_PICTURE
    return "" if "\u202a" <= character <= "\u2069" else "\ufffd"


def pieces(text: str, width: int) -> list[str]:
    """Cut text into what a cell of ``width`` characters a line can show in a row of full height; nothing is lost."""
    if len(text) <= width and "\n" not in text:
        return [text]
    line = max(width // 2, 1) if max(text) >= _WIDE_FROM else max(width - 2, 1)  # words do not fill their lines
    cut = []
    while (end := _fits(text, line)) < len(text):
        blank = max(text.rfind(" ", 0, end), text.rfind("\n", 0, end))
        end = blank + 1 if blank > end // 2 else end
        cut.append(text[:end])
        text = text[end:]
    return [*cut, text]


def _fits(text: str, line: int) -> int:
    """Return how many characters go into the lines of one cell."""
    used, end = 0, 0
    while end < len(text) and used < MOST_LINES:
        broken = text.find("\n", end, end + line)
        end = min(end + line, len(text)) if broken < 0 else broken + 1
        used += 1
    return min(end, LARGEST_CELL)

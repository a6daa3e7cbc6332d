"""What the checks of the quality gate find: a reason to refuse the file, or a remark that goes with it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from aftersun.model.errors import AftersunError


@dataclass(frozen=True)
class Finding:
    """One finding: a clause without full stop, and what to do where it ``stops`` the file."""

    text: str
    stops: bool = False
    hint: str = ""


def refusal(text: str, hint: str) -> Finding:
    """A finding that stops the file."""
    return Finding(text, True, hint)


def settle(findings: Iterable[Finding], file_name: str) -> tuple[str, ...]:
    """Return the remarks among ``findings``.

    Raises
    ------
    AftersunError
        If any of them stops the file, with all that do in one sentence.
    """
    findings = tuple(findings)
    stopping = [finding for finding in findings if finding.stops]
    if stopping:
        reasons = "; ".join(finding.text for finding in stopping)
        hints = " ".join(dict.fromkeys(finding.hint for finding in stopping))
        raise AftersunError(f"{file_name} was refused: {reasons}.", hints)
    return tuple(finding.text for finding in findings)

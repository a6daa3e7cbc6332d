"""What the checks of the quality gate find: reasons to refuse the file, and remarks that go with it."""

from __future__ import annotations

from dataclasses import dataclass, field

from aftersun.model.errors import AftersunError


@dataclass
class Findings:
    """What was found in one file so far: ``remarks``, and of ``refusals`` the reason and what to do about it.

    All of them are clauses without full stop; hints are sentences.
    """

    file_name: str
    remarks: list[str] = field(default_factory=list)
    refusals: dict[str, str] = field(default_factory=dict)

    def remark(self, text: str) -> None:
        """Note something that does not stop the file."""
        self.remarks.append(text)

    def refuse(self, text: str, hint: str) -> None:
        """Note a reason that stops the file at the end of this stage."""
        self.refusals[text] = hint

    def settle(self) -> None:
        """End a stage of checks.

        Raises
        ------
        AftersunError
            If any of them stops the file, with all that do in one sentence.
        """
        if self.refusals:
            hints = " ".join(dict.fromkeys(self.refusals.values()))
            raise AftersunError(f"{self.file_name} was refused: {'; '.join(self.refusals)}.", hints)

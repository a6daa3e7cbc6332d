"""A hundred letters at once."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest
from letter_support import ARC, DIVERTER, LETTER, MESH, NOTHING, StoredRun
from pypdf import PdfReader

from aftersun_reports.offer_letter import OfferLetter


@pytest.mark.slow
def test_a_hundred_letters_are_all_written(tmp_path: Path) -> None:
    letters = [
        replace(
            LETTER,
            number=f"2026-{n:06d}",
            customer=(f"Customer {n}", "Lärchenweg 7"),
            dangers=(ARC,) if n % 10 == 0 else (),
            options=(replace(DIVERTER, price=800.5 + n), MESH, NOTHING),
        )
        for n in range(100)
    ]
    began = time.perf_counter()
    paths = OfferLetter().write(StoredRun(letters), tmp_path, {})
    print(f"100 letters: {time.perf_counter() - began:.1f} s")  # the figure is told, not judged: machines are shared
    assert len({path.name for path in paths}) == 100
    assert all(len(PdfReader(path).pages) in (3, 4) for path in paths[::10])

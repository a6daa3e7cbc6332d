"""What a letter costs in a batch, compared with one alone.

    python tests/benchmarks/bench_letters.py [--letters 100]

Printed are processor time for a batch and, as a ratio within this run, that of a letter alone to a letter of the batch:
what is shared is starting the compiler and reading its fonts.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from letter_support import LETTER, StoredRun

from aftersun_reports.offer_letter import OfferLetter


def seconds(count: int) -> float:
    """Return the processor time that writing so many letters takes, each with a number and a name of its own."""
    letters = [replace(LETTER, number=f"{count}-{n:06d}", customer=(f"Customer {count} {n}",)) for n in range(count)]
    with tempfile.TemporaryDirectory() as folder:
        began = time.process_time()
        OfferLetter().write(StoredRun(letters), Path(folder), {})
        return time.process_time() - began


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--letters", type=int, default=100)
    count = parser.parse_args().letters
    alone, together = seconds(1), seconds(count)
    print(f"{count} letters: {together:.1f} s of processor time")
    print(f"a letter alone / a letter of the batch: {alone / (together / count):.2f}")


if __name__ == "__main__":
    main()

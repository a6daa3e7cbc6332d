"""Results of work that tests share. Figures here are invented."""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.delivered.measure import DELIVERED


def measured_work(count: int = 60, share: float = 0.8) -> pd.DataFrame:
    """Invented work: 80 % of what was promised came, ranges as wide as 20 %, roofs of two kinds, two shared."""
    rng = np.random.default_rng(1)
    promised = rng.uniform(200.0, 400.0, count)
    gain = promised * share * (1 + rng.normal(0, 0.2 / 1.2816, count)) + rng.normal(0, 20.0, count)
    frame = pd.DataFrame(
        {
            "site_id": [f"S{at:03d}" for at in range(count)],
            "retrofit": ["bird_mesh"] * (count - 2) + ["bird_mesh+tilt_mount"] * 2,
            "done_on": pd.Timestamp("2025-01-01"),
            "jobs": 1,
            "roof_kind": np.where(np.arange(count) % 3, "pitched tile", "flat gravel"),
            "meter": "production",
            "shared": [False] * (count - 2) + [True] * 2,
            "gain_kwh": gain,
            "gain_se_kwh": 20.0,
            "promised_kwh": promised,
            "promised_p90_kwh": promised * 0.8,
            "promised_p10_kwh": promised * 1.2,
            "measured_at": pd.Timestamp("2026-01-01"),
        }
    )
    frame.loc[0, "obstacle"] = "stopped"
    frame.loc[0, ["gain_kwh", "gain_se_kwh"]] = np.nan
    return frame.reindex(columns=list(DELIVERED.columns)).astype(DELIVERED.dtypes)

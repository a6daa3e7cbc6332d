"""What stands on a site already and can hurt whoever works there: its safety note belongs to every offer."""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.model import tables
from aftersun.model.change import Notes
from aftersun.model.cohort import Cohort


def with_standing_devices(notes: Notes, cohort: Cohort, fitted: pd.DataFrame) -> Notes:
    """Return the notes of a retrofit with those of the devices that stand on its sites, whatever their age.

    ``fitted`` has the columns site_id and retrofit. A device beyond its life can still be live.
    """
    for device in tables.standing_devices():
        of_it = fitted.loc[fitted["retrofit"] == device.retrofit_fitted, "site_id"]
        stands = cohort.sites.index.isin(of_it)
        if device.site_number_above_0:
            stands |= cohort.sites[device.site_number_above_0].fillna(0).to_numpy(dtype=np.float64) > 0
        notes = notes.add(device.note, stands)
    return notes

"""What the use of a site decides: who may be asked about a household, and who gets sales tax back."""

from __future__ import annotations

import numpy as np
import pandas as pd

from aftersun.model import tables
from aftersun.model.ranges import Bools, Ints

HOME = "home"
# Columns of the site table that are of a household: nobody is asked for them where nobody lives.
OF_A_HOUSEHOLD = ("occupants", "owner_present")


def use_number(sites: pd.DataFrame) -> Ints:
    """Return the place of each site's use in ``uses.csv``, that of a home where it is unknown, (S,)."""
    place = {name: number for number, name in enumerate(tables.uses())}
    return np.array([place[use] for use in sites["use"].fillna(HOME)], dtype=np.int64)


def is_home(sites: pd.DataFrame) -> Bools:
    """Tell where people live, or the use is unknown, (S,)."""
    return np.array([use.home for use in tables.uses().values()])[use_number(sites)]


def reclaims_tax(sites: pd.DataFrame) -> Bools:
    """Tell where the owner gets sales tax on purchases back: as is known, else by use, (S,)."""
    by_use = np.array([use.reclaims_tax for use in tables.uses().values()])[use_number(sites)]
    unknown = sites["reclaims_tax"].isna().to_numpy(dtype=bool)
    return np.where(unknown, by_use, sites["reclaims_tax"].fillna(False).to_numpy(dtype=bool))

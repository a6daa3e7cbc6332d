"""For authors of plugins: the conformance kit, and builders of the cohorts that tests need.

A test module of a plugin needs no more than this::

    from aftersun.testing import RetrofitConformance
    from roof_wash import RoofWash

    class TestRoofWash(RetrofitConformance):
        retrofit = RoofWash()
"""

from aftersun.testing.builders import (
    ORDINARY_ARRAY,
    ORDINARY_SITE,
    build_cohort,
    sample_cohort,
    sample_company,
    sample_weather,
    unknown_frame,
)
from aftersun.testing.conformance import RetrofitConformance
from aftersun.testing.sites import legal_sites, odd_sites, unknown_site

__all__ = [
    "ORDINARY_ARRAY",
    "ORDINARY_SITE",
    "RetrofitConformance",
    "build_cohort",
    "legal_sites",
    "odd_sites",
    "sample_cohort",
    "sample_company",
    "sample_weather",
    "unknown_frame",
    "unknown_site",
]

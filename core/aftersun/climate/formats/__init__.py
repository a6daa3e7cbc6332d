"""Weather file formats: how each is recognised and how its columns, units and hours become ours."""

from aftersun.climate.formats.known import FORMATS, parse
from aftersun.climate.formats.raw import Instants, RawWeather

__all__ = ["FORMATS", "Instants", "RawWeather", "parse"]

"""Meter readings as portals export them, turned into the table of readings that ``loading`` takes."""

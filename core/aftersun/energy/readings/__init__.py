"""Meter readings: judged, and what they say of a site."""

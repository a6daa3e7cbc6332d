"""Hourly years made of monthly normals."""

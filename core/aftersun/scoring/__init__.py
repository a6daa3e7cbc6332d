"""Cohorts, the worth of single retrofits, ranking per site, the call list and stored runs."""

"""Whom to call this month: contact rules, chances of a yes, rounds, capacity."""

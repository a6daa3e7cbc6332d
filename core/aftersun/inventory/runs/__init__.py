"""Stored runs: written whole, read, pruned."""
